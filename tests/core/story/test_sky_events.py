"""The sky: where dew began, thin cloud, what stood in front, and what stays unknown."""

import numpy as np
import pytest
from scipy.stats import beta, norm

from runlog.core.frame import Grade
from runlog.core.grading.grade import grade_run
from runlog.core.grading.policy import Policy
from runlog.core.story.model import GradedLight, Opinion, Part
from runlog.core.story.tell import tell
from runlog.core.story.thin_cloud import CLEAR_QUANTILE, CLEAR_SIGMAS, SMOOTHED
from tests.core.runs import altered, changed, clean_run

CLEAR = (55,) * 9
COVERED = (2, 50, 55, 3, 50, 55, 1, 50, 55)


def story(frames):
    """Grade a run and tell its story."""
    verdicts = grade_run(frames, Policy())
    return tell([GradedLight(f, verdicts[f.key], verdicts[f.key].grade) for f in frames], Policy())


def events(frames, kind):
    """Give the events of one kind as (first, last) frame numbers."""
    keys = [f.key for f in frames]
    return [(keys.index(e.first), keys.index(e.last)) for e in story(frames).events
            if e.kind == kind]  # fmt: skip


def lit(run, light):
    """Give frames the light that a function of their number says, and a percent of noise."""
    random = np.random.default_rng(5)
    noise = 1 + 0.008 * random.standard_normal(len(run))
    return [altered(f, transparency=light(n) * noise[n]) for n, f in enumerate(run)]


@pytest.mark.parametrize("start", [8, 14, 22])
@pytest.mark.parametrize("power", [1.0, 1.4])
def test_dew_begins_where_it_first_takes_light(start, power):
    """Within 3 frames of the truth: not where a frame first suffers, some ten frames later.

    The truth is drawn: from `start` on halos grow and light is lost, evenly or ever faster.
    """
    run = clean_run(60)

    def grown(n):
        return max((n - start + 1) / (60 - start), 0.0) ** power

    run = [
        altered(f, hfr_px=(1 + 0.8 * grown(n)) * f.measurement.hfr_px) for n, f in enumerate(run)
    ]
    ((first, last),) = events(lit(run, lambda n: 1 - 0.5 * grown(n)), "dew")
    assert abs(first - start) <= 3
    assert last == 59


def test_dew_quotes_the_worst_frame_and_is_named_in_the_summary():
    """The event and the verdict say dew, with the light of the frame that lost most."""
    run = clean_run(60)
    for n in range(20, 60):
        grown = (n - 19) / 40
        run[n] = altered(
            run[n], hfr_px=(1 + 0.3 * grown) * run[n].measurement.hfr_px,
            transparency=1 - 0.65 * grown,
        )  # fmt: skip
    told = story(run)
    (dew,) = [e for e in told.events if e.kind == "dew"]
    assert "stars give 35% of the light" in dew.text
    sky = told.verdicts[Part.SKY]
    assert "dew or fog" in sky.evidence
    assert "next to no stars" not in sky.evidence
    assert "dew heater" in sky.check


def test_light_at_one_level_is_told_as_what_it_may_be():
    """The event and the verdict name both causes, and no cloud."""
    run = changed(clean_run(), range(14, 26), transparency=0.5, stars=340)
    told = story(run)
    assert [e.kind for e in told.events] == ["dew"]
    assert told.events[0].text.startswith("light lost at one level: dew, or something in front")
    assert "light lost at one level (dew, or something in front" in told.verdicts[Part.SKY].evidence


# --- thin cloud -----------------------------------------------------------------------------


def hours_of_cirrus(n):
    """Take 9 % of the light, more or less, over two hours."""
    return 0.91 + 0.03 * np.sin(n / 3) if 20 <= n < 43 else 1.0


def test_two_hours_of_cirrus_are_mentioned_and_cost_nothing():
    """The verdict and an event say when and how much; no frame loses its grade."""
    run = lit(clean_run(80, pier_side="east"), hours_of_cirrus)
    told = story(run)
    assert {v.grade for v in grade_run(run, Policy()).values()} == {Grade.KEEP}
    ((first, last),) = events(run, "cloud")
    assert abs(first - 20) <= 2
    assert abs(last - 42) <= 2
    (cloud,) = [e for e in told.events if e.kind == "cloud"]
    assert cloud.cost_s == 0
    sky = told.verdicts[Part.SKY]
    assert sky.verdict is Opinion.FAIR
    assert "thin cloud or haze took" in sky.evidence
    assert "% of the light 21:4" in sky.evidence


@pytest.mark.parametrize(
    "light",
    [
        lambda n: 1.0,
        lambda n: 0.93 if 20 <= n < 27 else 1.0,  # half an hour
        lambda n: 1.0 if n < 40 else 0.98,  # another flat field after a flip
        lambda n: 10 ** (-0.4 * 0.15 * (n / 80)),  # a hazier air than the default, setting
    ],
)
def test_a_clear_night_has_no_thin_cloud(light):
    """Noise, a short dip, a step of two percent and air that takes more low down are no cloud."""
    run = clean_run(80)
    run = [altered(f, airmass=1 + n / 80) for n, f in enumerate(run)]
    assert events(lit(run, light), "cloud") == []


# --- what stood in front --------------------------------------------------------------------


def test_what_stood_in_front_is_an_event_with_its_side():
    """The tree's hours are told once, with the side of the frame and what they cost."""
    run = changed(clean_run(pier_side="east"), range(25, 40), zone_stars=COVERED)
    (tree,) = [e for e in story(run).events if e.kind == "obstruction"]
    assert events(run, "obstruction") == [(25, 39)]
    assert tree.text.startswith("something stood in front of the left third, at airmass 1.20: ")
    assert tree.cost_s == 15 * 300


def test_a_side_that_is_always_empty_is_unknown():
    """A roof, the optics and the field itself look alike where all frames have it."""
    run = clean_run(pier_side="east", zone_stars=COVERED)
    sky = story(run).verdicts[Part.SKY]
    assert sky.verdict is Opinion.UNKNOWN
    assert "all through the night the left third shows" in sky.evidence
    assert events(run, "obstruction") == []


# --- a first night --------------------------------------------------------------------------


def test_how_clear_a_first_night_was_is_unknown():
    """With no other night of the field a haze of all night shows in nothing."""
    sky = story(clean_run(field_runs=1)).verdicts[Part.SKY]
    assert sky.verdict is Opinion.UNKNOWN
    assert sky.evidence == (
        "unknown, because there is no clear night to compare with: no other night shows this "
        "field; within this night none of 40 frames under cloud, bright sky or poor seeing"
    )
    known = story(clean_run(field_runs=2)).verdicts[Part.SKY]
    assert known.verdict is Opinion.GOOD


def test_cloud_of_a_first_night_is_known_all_the_same():
    """What changed within the night is judged; only how clear it was at best is not known."""
    sky = story(changed(clean_run(field_runs=1), range(10, 20), transparency=0.4)).verdicts[
        Part.SKY
    ]
    assert sky.verdict is Opinion.POOR
    assert "how clear it was at best is unknown, because there is no clear night" in sky.evidence


def test_how_far_out_a_twentieth_of_medians_of_five_lies():
    """Guards the clearest twentieth: the median of five follows Beta(3, 3) (order statistics)."""
    assert SMOOTHED == 5
    assert pytest.approx(norm.ppf(beta.ppf(CLEAR_QUANTILE, 3, 3)), abs=0.005) == -CLEAR_SIGMAS
