"""All of a night's dark is shared out: counted second by second, and by whatever is drawn."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from runlog.core.frame import Kind
from runlog.core.story.model import Night, Taken
from runlog.core.worth.dark import BETWEEN, ENDS, OTHERS, dark_use, summed
from tests.core.runs import START, altered, clean_run
from tests.core.story.telling import told

RUN = told([altered(f, ra_deg=23.46, dec_deg=30.66) for f in clean_run()])
PLACE = 50.1, 14.35


def seconds(count):
    return timedelta(seconds=float(count))


def at(lights, starts_s, exposure_s):
    """Move frames to these seconds after START."""
    return [
        replace(t, frame=altered(t.frame, taken_at_utc=START + seconds(s), exposure_s=exposure_s))
        for t, s in zip(lights, starts_s, strict=False)
    ]


def second_by_second(lights, dark):
    """Count the seconds of the dark in which a shutter was open, with numpy."""
    open_ = np.zeros(round((dark[1] - dark[0]).total_seconds()), dtype=bool)
    for light in lights:
        start, end = ((t - dark[0]).total_seconds() for t in (light.start, light.end))
        open_[max(round(start), 0) : max(round(end), 0)] = True
    return float(open_.sum())


@pytest.mark.parametrize("seed", range(40))
def test_the_dark_adds_up(seed):
    """Dark = exposed + all causes to 1e-9, with gaps, overlaps, sweeps, and frames in twilight."""
    random = np.random.default_rng(seed)
    gaps = np.where(random.random(40) < 0.1, random.integers(900, 4000, 40), 12)
    starts = np.cumsum(gaps + random.choice([-20, 300], 40, p=[0.05, 0.95]))
    lights = at(RUN, starts.tolist(), 300.0)[: random.integers(1, 41)]
    lights = sorted(lights, key=lambda t: (t.start, t.frame.key))
    others = [
        Taken(Kind.FOCUS, START + seconds(s), START + seconds(s + 8))
        for s in random.integers(-3000, 30000, 30).tolist()
    ]
    dark = START + seconds(random.integers(-9000, 2000)), START + seconds(9000 + seed * 700)
    night = Night(dark, others=others, place=PLACE)
    found = dark_use(lights, night)
    assert found.dark_s == (dark[1] - dark[0]).total_seconds()
    assert found.exposed_s == pytest.approx(second_by_second(lights, dark), abs=1e-6)
    whole = found.exposed_s + sum(found.causes.values())
    assert whole == pytest.approx(found.dark_s, rel=1e-12)
    assert all(took > 0 for took in found.causes.values())


@pytest.mark.parametrize(
    ("cause", "starts"),
    [
        (BETWEEN, [352 * n for n in range(40)]),
        ("pauses", [312 * n + (5000 if n > 7 else 0) for n in range(40)]),
        ("late start", [7200 + 312 * n for n in range(40)]),
        ("early stop", [312 * n for n in range(25)]),
    ],
)
def test_dark_not_exposed_is_put_in_its_class(cause, starts):
    """Of what one fault of the schedule left unused more than a clean night, 95 % is in its class.

    Where all comes later the early stop is as much shorter.
    """
    dark = START - seconds(300), START + seconds(30000)
    sky = Night(dark, place=PLACE)
    one = dark_use(at(RUN, [312 * n for n in range(40)], 300.0), sky).causes
    other = dark_use(at(RUN[: len(starts)], starts, 300.0), sky).causes
    more = {key: other.get(key, 0.0) - one.get(key, 0.0) for key in one.keys() | other.keys()}
    own = sum(took for name, took in more.items() if name.startswith(cause))
    assert own > 600.0
    assert own >= 0.95 * sum(took for took in more.values() if took > 0)


def test_time_between_frames():
    """Forty frames of 300 s with 12 s between them: 39 times 12 s, and a sweep's frames apart."""
    lights = at(RUN, [312 * n for n in range(40)], 300.0)
    dark = lights[0].start, lights[-1].end
    assert dark_use(lights, Night(dark)).causes == {BETWEEN: 39 * 12.0}
    sweep = [Taken(Kind.FOCUS, START + seconds(302), START + seconds(306))]
    found = dark_use(lights, Night(dark, others=sweep))
    assert found.causes == {BETWEEN: 39 * 12.0 - 4.0, OTHERS: 4.0}


def test_no_dark_known():
    """Without a place the time from first to last frame is shared out."""
    lights = at(RUN, [312 * n for n in range(40)], 300.0)
    found = dark_use(lights, Night())
    assert (found.dark_s, found.exposed_s) == (39 * 312.0 + 300.0, 40 * 300.0)
    assert found.causes == {BETWEEN: 39 * 12.0}


def test_few_frames_and_none():
    """Two frames are no start and no stop, but the dark about them was not exposed."""
    lights = at(RUN, [3600, 3912], 300.0)[:2]
    found = dark_use(lights, Night((START, START + seconds(9000))))
    assert found.causes == {ENDS: 3600.0 + 9000 - 4212, BETWEEN: 12.0}
    assert found.of_few == found.causes
    assert dark_use([], Night((START, START + seconds(9000)))).dark_s == 0.0


@pytest.mark.parametrize("undated", [0, 1])
def test_frames_without_time_or_length(undated):
    """Gaps that may hold frames are not told as dark unused; named breaks are."""
    lights = at(RUN, [312 * n for n in range(20)] + [15000 + 312 * n for n in range(20)], 300.0)
    if not undated:
        lights[3] = replace(lights[3], frame=altered(lights[3].frame, exposure_s=None))
    found = dark_use(lights, Night((lights[0].start, lights[-1].end), undated=undated))
    assert found.exposed_s == 0.0
    assert found.causes == {"pauses": pytest.approx(15000 - 19 * 312 - 300)}
    assert found.dark_s == sum(found.causes.values())


def test_nights_add_up():
    """Sums over nights, the dearest cause first."""
    lights = at(RUN, [312 * n for n in range(40)], 300.0)
    one = dark_use(lights, Night((lights[0].start, lights[-1].end + seconds(4000))))
    both = summed([one, one])
    assert both.dark_s == 2 * one.dark_s
    assert not both.of_few
    assert sorted(both.causes.values(), reverse=True) == list(both.causes.values())
    assert both.exposed_s + sum(both.causes.values()) == pytest.approx(both.dark_s, rel=1e-12)
