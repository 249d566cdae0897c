"""One name at several places: what is judged within a field, what over all, and what is said."""

import pytest

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.grade import grade_run
from runlog.core.grading.policy import Policy
from runlog.core.story.model import GradedLight, Opinion, Part
from runlog.core.story.tell import tell
from tests.core.runs import altered, changed, clean_run

A, B = "a" * 32, "b" * 32


def at_two(count_b, count=40, **of_b):
    """Draw a run at the name's best field A, its last frames at B, which has half the stars."""
    run = clean_run(count, matched_to=A, best_of_name=A, field_runs=2)
    there = range(count - count_b, count)
    values = {"matched_to": B, "field_runs": 1, "stars": 250, "ranked_flux_adu_s": 40.0}
    return changed(run, there, **values | of_b)


def graded(run):
    """Grade a run; gives the verdicts in its order."""
    verdicts = grade_run(run, Policy())
    return [verdicts[f.key] for f in run]


def story(run):
    """Tell a run's story."""
    found = graded(run)
    return tell([GradedLight(f, v, v.grade) for f, v in zip(run, found, strict=True)], Policy())


def test_half_a_run_at_another_place_is_judged_by_its_own_stars():
    """Half as many and fainter stars are that field's, not cloud, nor a wrong pointing."""
    found = graded(at_two(18))
    assert {v.grade for v in found} == {Grade.KEEP}
    assert {v.faults for v in found} == {()}
    assert {v.note for v in found[:22]} == {None}
    assert all("another field" in v.note and "of this run alone" in v.note for v in found[22:])


def test_cloud_at_another_place_is_found():
    """Light is compared within the field: a half of it is lost in four frames of eighteen."""
    run = changed(at_two(18), range(30, 34), transparency=0.45, throughput=0.45)
    found = graded(run)
    assert [i for i, v in enumerate(found) if v.faults] == [30, 31, 32, 33]
    assert {v.faults[0].name for v in found[30:34]} == {FaultName.CLOUD}


def test_the_sky_is_compared_over_all_fields():
    """A place shot in moonlight throughout must not pass by its own darkest frame."""
    found = graded(at_two(10, background_adu=1400.0))
    assert {v.faults[0].name for v in found[30:]} == {FaultName.BRIGHT_SKY}


@pytest.mark.parametrize(
    ("count", "more", "off"),
    [(4, {}, True), (4, {"field_runs": 2}, False), (14, {}, False)],
    ids=["a few astray", "another night shows it", "many were meant"],
)
def test_a_few_frames_at_a_place_nobody_knows_went_astray(count, more, off):
    """Off target needs evidence: the run is elsewhere, and nothing says that the place is meant."""
    found = graded(at_two(count, **more))[-count:]
    if off:
        assert {(v.grade, v.faults[0].name) for v in found} == {
            (Grade.REJECT, FaultName.OFF_TARGET)
        }
        assert "36 of this run's 40 frames of M 33" in found[0].faults[0].evidence
    else:
        assert {v.grade for v in found} == {Grade.KEEP}


def test_a_whole_night_elsewhere_is_said_and_costs_nothing():
    """Its light is relative to itself; pointing asks whether the place was meant."""
    run = clean_run(matched_to=B, best_of_name=A, field_runs=1)
    assert {v.grade for v in graded(run)} == {Grade.KEEP}
    told = story(run).verdicts
    assert "40 frames of M 33 show another field than the one most taken" in (
        told[Part.POINTING].evidence
    )
    assert told[Part.POINTING].verdict is Opinion.FAIR
    assert "meant" in told[Part.POINTING].check
    assert "the light of 40 frames is relative to this night" in told[Part.SKY].evidence


def test_a_sky_whose_light_could_not_be_compared_is_not_good():
    """Twelve frames that match nothing: unknown, with the count."""
    blind = {"transparency": None, "throughput": None, "shift_x_px": None,
             "shift_y_px": None, "rotation_deg": None}  # fmt: skip
    run = clean_run(12, matched_to=A, best_of_name=A, **blind)
    found = graded(run)
    assert all("could not be compared" in v.note for v in found)
    sky = story(run).verdicts[Part.SKY]
    assert sky.verdict is Opinion.UNKNOWN
    assert "the light of 12 of 12 frames could not be compared" in sky.evidence
    assert (
        "the stars of 12 frames of M 33 match none" in story(run).verdicts[Part.POINTING].evidence
    )


def test_a_jump_to_another_field_is_no_drift_or_dither():
    """Places on two references do not compare: no jump of the field is made of them."""
    run = at_two(15, shift_x_px=400.0)
    kinds = {event.kind for event in story(run).events}
    assert "jump" not in kinds


# --- resampled copies -------------------------------------------------------------------------


def copies(count=20, **same):
    """Draw resampled copies: the zero level is gone, noise hangs on the fraction of a pixel."""
    run = clean_run(count, pedestal_adu=None, resampled=True, egain_e_adu=1.0, **same)
    for i in range(count):
        level = 300.0 * (1 + 0.006 * (i % 3) / 2)
        run = changed(run, [i], background_adu=level, noise_adu=17.0 / (1 + 0.05 * i))
    return run


def test_resampled_copies_are_not_judged_by_their_noise():
    """Skies that differ by 0.6 % are one sky, whatever interpolation did to the noise."""
    assert {v.grade for v in graded(copies())} == {Grade.KEEP}


def test_nor_are_copies_that_do_not_say_so():
    """Noise that rises without the light it would need is not the sky's."""
    for egain in (1.0, None):
        run = [altered(f, resampled=False, egain_e_adu=egain) for f in copies()]
        assert {v.grade for v in graded(run)} == {Grade.KEEP}


def test_a_brighter_sky_in_resampled_copies_is_found():
    """The level itself tells: twice the light, zero level unknown."""
    found = graded(changed(copies(), [4], background_adu=640.0))
    assert found[4].faults[0].name is FaultName.BRIGHT_SKY
    assert "background 2.1 times" in found[4].faults[0].evidence


@pytest.mark.parametrize("level", [0.4, -3.0])
def test_a_subtracted_sky_is_no_measure(level):
    """Around zero every ratio is large and means nothing."""
    run = changed(copies(), range(20), background_adu=level)
    run = changed(run, [3, 4], background_adu=level + 2.0)
    assert {v.grade for v in graded(run)} == {Grade.KEEP}
    known = changed(run, range(20), pedestal_adu=0.0, resampled=False)
    assert {v.grade for v in graded(known)} == {Grade.KEEP}


def test_interpolation_may_widen_and_stretch_small_stars():
    """A quarter of a pixel squared along one axis is what linear interpolation brings at most."""
    plain = clean_run(20)
    wide = {"fwhm_px": 2.66, "hfr_px": 1.55, "axis_ratio": 0.9, "eccentricity": 0.436}
    run = changed(copies(), [3], **wide)
    assert graded(run)[3].grade is Grade.KEEP
    wide["hfr_px"] = 1.5
    assert graded(changed(plain, [3], **wide))[3].grade is not Grade.KEEP


def moved(run, places):
    """Put frames of a run at places (px along x)."""
    return [
        altered(f, shift_x_px=float(x), shift_y_px=0.0) for f, x in zip(run, places, strict=True)
    ]


def off(run):
    """Count the frames off target."""
    return sum(v.grade is Grade.REJECT for v in graded(run))


def test_a_field_that_drifts_all_night_is_nowhere_off_target():
    """What moves on by small steps is told as a drift; none of its frames went astray."""
    run = clean_run()
    width = run[0].identity.width
    drift = [width * 0.01 * i for i in range(len(run))]  # 40 % of the field in a night
    assert off(moved(run, drift)) == 0
    one_astray = [x + (0.3 * width if i == 33 else 0) for i, x in enumerate(drift)]
    assert off(moved(run, one_astray)) == 1


def test_a_field_that_jumped_away_is_off_target_till_the_end():
    """A snagged cable takes all later frames off; small drifts before and after change nothing."""
    run = clean_run()
    width = run[0].identity.width
    places = [width * (0.0005 * i + (0.2 if i >= 30 else 0)) for i in range(len(run))]
    assert off(moved(run, places)) == len(run) - 30
