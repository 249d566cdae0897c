"""Runs that begin in cloud where no earlier night shows their field."""

from random import Random

import pytest

from runlog.core.frame import FaultName
from runlog.core.grading.policy import Policy
from runlog.core.watch.advice import advice, sentence
from runlog.core.watch.first_look import first_look
from tests.core.runs import altered, clean_run

from .looked import told

CLOUD = (0.2, 0.15, 0.22, 0.3, 0.24, 0.36, 0.5, 0.77)


def _run(light, count=16):
    """A run whose first frames have so much of the light, laid on the best frame of them all."""
    run = clean_run(count)
    for n, left in enumerate(light):
        flux = 100.0 * left
        stars = round(500 * left**0.8)
        run[n] = altered(run[n], transparency=left, throughput=left, ranked_flux_adu_s=flux,
                         stars=stars, zone_stars=(stars // 9,) * 9)  # fmt: skip
    return run


def _looks(run):
    return [first_look(run[: n + 1], f.key, Policy()) for n, f in enumerate(run)]


def _grades(run):
    return "".join(look.verdict.grade[0] for look in _looks(run))


def test_a_beginning_in_cloud_is_never_kept_and_is_over_when_the_light_is_steady():
    """From the third frame on cloud, until two in a row are as bright as any; none is rejected
    that is clear, and of none it is said how much of the light is left."""
    run = _run(CLOUD)
    assert "k" not in _grades(run)[: len(CLOUD)]
    assert _grades(run)[len(CLOUD)] == "d"  # as bright as any so far, and alone in that
    assert _grades(run)[len(CLOUD) + 1 :] == "k" * (len(run) - len(CLOUD) - 1)
    cloudy = _looks(run)[2 : len(CLOUD)]
    assert {look.light for look in cloudy} == {None}
    said = [f.evidence for look in cloudy for f in look.verdict.faults if f.name == "cloud"]
    assert len(said) == len(cloudy)
    assert not [words for words in said if "clear frames" in words]


@pytest.mark.parametrize(
    "light",
    [(), (1.0, 1.0, 0.7, 0.95), (0.95, 0.92, 0.97, 0.93, 0.96), (0.3, 0.3, 0.31)],
    ids=["clear", "clear at first", "hazy", "an even layer"],
)
def test_steady_light_is_no_sign_of_cloud(light):
    """Nor is it said of a run that was clear at first, of haze, or of what nothing tells of."""
    looks = _looks(_run(light))
    assert not [f for look in looks for f in look.verdict.faults if "wavers" in f.evidence]


def test_light_that_was_steady_once_is_known_however_it_is_measured_and_whatever_comes():
    """Errors of 3 % in each frame, the best of many far out, and cloud in the middle of the night:
    that is cloud by the frames before it, and no clear frame after it is doubted."""
    draw = Random(5)
    light = [max(0.1, draw.gauss(0.97, 0.03)) for _ in range(40)]
    light[20:24] = [0.3, 0.6, 0.4, 0.7]
    run = _run(light, 40)
    assert "wavers" not in str([look.verdict.faults for look in _looks(run)])
    assert _grades(run)[24:] == "k" * 16


def test_another_filter_or_field_tells_nothing():
    """Of what a frame has less light than of another filter nothing follows."""
    run = [altered(f, filter="LR"[n % 2], transparency=(1.0, 0.6)[n % 2])
           for n, f in enumerate(clean_run(8))]  # fmt: skip
    assert "wavers" not in str([look.verdict.faults for look in _looks(run)])


def test_it_is_warned_of_with_what_is_known():
    """The warning says that the light wavers, and leaves to the sky how thick the cloud is."""
    run = _run(CLOUD)
    looks = _looks(run)
    _, alarms = told(looks[: len(CLOUD)])
    (alarm,) = [a for a in alarms if a.cause == FaultName.CLOUD]
    assert "wavers" in sentence(alarm)
    assert " % of usual" not in sentence(alarm)
    assert advice(alarm, run[: len(CLOUD)]).startswith("look at the sky")
