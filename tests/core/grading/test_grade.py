"""Grades and faults from numbers: each rule, its evidence, and what must not matter."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.core.frame import FaultName, Grade, Streak
from runlog.core.grading.baseline import width_at, width_at_zenith
from runlog.core.grading.faults.bright_sky import RATIO
from runlog.core.grading.faults.cloud import TRANSPARENCY
from runlog.core.grading.grade import explain_run, grade_run
from runlog.core.grading.history import Earlier
from runlog.core.grading.policy import Limit, Policy
from tests.core.runs import CLEAN, altered, changed, clean_run, trail

POLICY = Policy()


def grades(frames, policy=POLICY, history=None):
    """Grade a run and give verdicts in the run's order."""
    verdicts = grade_run(frames, policy, history)
    return [verdicts[f.key] for f in frames]


def first_fault(verdict):
    """Name the fault that leads a verdict."""
    return verdict.faults[0].name if verdict.faults else None


def test_a_clean_run_is_kept():
    """Frames without trouble are all kept, without a word."""
    assert {(v.grade, v.faults) for v in grades(clean_run())} == {(Grade.KEEP, ())}


@pytest.mark.parametrize(
    ("values", "fault", "grade"),
    [
        ({"transparency": 0.7}, FaultName.CLOUD, Grade.DOUBTFUL),
        ({"transparency": 0.3}, FaultName.CLOUD, Grade.REJECT),
        ({"background_adu": 500 + 300 * 2.2}, FaultName.BRIGHT_SKY, Grade.DOUBTFUL),
        ({"background_adu": 500 + 300 * 4.5}, FaultName.BRIGHT_SKY, Grade.REJECT),
        ({"fwhm_px": 3.6, "hfr_px": 0.62 * 3.6}, FaultName.SOFT, Grade.DOUBTFUL),
        ({"fwhm_px": 3.0, "hfr_px": 0.55 * 3.0}, FaultName.DEFOCUSED, Grade.DOUBTFUL),
        ({"fwhm_px": 4.5, "hfr_px": 0.52 * 4.5}, FaultName.DEFOCUSED, Grade.REJECT),
        ({"readout": "40 rows repeat the row before"}, FaultName.READOUT, Grade.REJECT),
        ({"doubled_share": 0.4, "doubled_px": 9.0}, FaultName.DOUBLED, Grade.REJECT),
        ({"shift_x_px": 300.0}, FaultName.OFF_TARGET, Grade.REJECT),
        ({"shift_x_px": None}, FaultName.OFF_TARGET, Grade.REJECT),
        ({"zone_stars": (5, 10, 8, 55, 55, 55, 55, 55, 55)}, FaultName.OBSTRUCTED, Grade.REJECT),
        ({"clipped_stars": 80}, FaultName.CLIPPED, Grade.KEEP),
        ({"streaks": (Streak(0.0, 0.0, 9.0, 9.0),)}, FaultName.STREAK, Grade.KEEP),
    ],
)
def test_each_fault_is_found_and_graded(values, fault, grade):
    """One frame in trouble gets the right first fault and grade, with numbers in its evidence."""
    run = changed(clean_run(), [12], **values)
    verdict = grades(run)[12]
    assert (first_fault(verdict), verdict.grade) == (fault, grade)
    assert any(c.isdigit() for c in verdict.faults[0].evidence) or fault is FaultName.OFF_TARGET
    others = [v for i, v in enumerate(grades(run)) if i != 12]
    assert all(v.grade is Grade.KEEP for v in others)


@pytest.mark.parametrize(
    ("values", "why"),
    [
        ({"matched_to": None}, "there is no other frame to lay its stars on"),
        ({"shift_x_px": None}, "its stars could be laid on no other frame"),
        ({"stars": 9}, "9 stars are too few to tell"),
    ],
)
def test_displaced_rows_are_not_denied_where_no_star_tells(values, why):
    """Without columns or stars nothing shows a displacement; the check says so, and why."""
    run = changed(clean_run(), [12], **values)
    (said,) = (c.evidence for c in explain(run, 12) if c.fault is FaultName.READOUT)
    assert said.endswith(f"are unknown where no column of the camera shows them, because {why}")
    (said,) = (c.evidence for c in explain(run, 11) if c.fault is FaultName.READOUT)
    assert said == "no repeated, missing, banded or displaced rows"


def explain(run, number):
    """Give the checks of one frame of a run."""
    return explain_run(run, POLICY)[run[number].key][2]


@pytest.mark.parametrize(
    ("length_fwhm", "grade"),
    [(0.4, Grade.KEEP), (1.0, Grade.DOUBTFUL), (1.6, Grade.REJECT), (3.0, Grade.REJECT)],
)
def test_trails_by_their_length(length_fwhm, grade):
    """A trail as long as a star is wide is never kept; one of 0.4 widths is nobody's business."""
    run = clean_run()
    run[7] = trail(run[7], length_fwhm)
    verdict = grades(run)[7]
    assert verdict.grade is grade
    assert first_fault(verdict) is (None if grade is Grade.KEEP else FaultName.TRAILED)


def test_a_rig_that_always_stretches_is_not_trailing():
    """Pinched optics stretch every frame alike: that is the rig's own, not tracking."""
    run = clean_run(axis_ratio=0.92, eccentricity=0.39, elongation_deg=80.0, alignment=0.9)
    assert all(v.grade is Grade.KEEP for v in grades(run))
    run[3] = altered(run[3], axis_ratio=0.6, eccentricity=0.8, elongation_deg=15.0)
    assert first_fault(grades(run)[3]) is FaultName.TRAILED


def test_stretch_without_one_direction_is_not_a_trail():
    """Coma from the corners makes stars long in all directions."""
    run = changed(clean_run(), [5], axis_ratio=0.7, eccentricity=0.71, alignment=0.2)
    assert grades(run)[5].grade is Grade.KEEP


def test_two_bad_thirds_do_not_hide_the_good_third():
    """A night whose first two thirds are cloudy and soft still finds its good third."""
    bad = range(26)
    run = changed(
        clean_run(39),
        bad,
        transparency=0.4,
        fwhm_px=lambda f: 2.0 * f.measurement.fwhm_px,
        hfr_px=lambda f: 2.0 * f.measurement.hfr_px,
    )
    found = grades(run)
    assert all(v.grade is not Grade.KEEP for v in found[:26])
    assert all(v.grade is Grade.KEEP for v in found[26:])


def test_a_night_poor_throughout_does_not_pass_its_own_median():
    """Frames 1.6 times the rig's usual width are not all kept, though they are all alike."""
    run = clean_run(fwhm_px=3.7, hfr_px=0.62 * 3.7)
    earlier = {CLEAN: Earlier(nights=5, fwhm_px=2.2, fwhm_floor_px=2.1)}
    assert all(v.grade is Grade.KEEP for v in grades(run))
    assert not any(v.grade is Grade.KEEP for v in grades(run, history=earlier))


def test_wandering_seeing_rejects_nothing():
    """Seeing that wanders by 30 % with an unchanged profile is nobody's fault."""
    run = clean_run(60)
    for i in range(60):
        times = 1 + 0.3 * abs((i % 20) - 10) / 10
        run[i] = altered(run[i], fwhm_px=2.3 * times, hfr_px=0.62 * 2.3 * times)
    assert sum(v.grade is Grade.REJECT for v in grades(run)) == 0


def test_airmass_takes_out_only_the_seeing():
    """Width at an airmass and back is the same width (X^0.6: X=2 gives 1.5157)."""
    assert width_at(3.0, 0.0, 2.0) == pytest.approx(3.0 * 1.5157, rel=1e-4)
    assert width_at(3.0, 3.0, 2.0) == pytest.approx(3.0)
    assert width_at_zenith(width_at(3.0, 1.5, 1.7), 1.5, 1.7) == pytest.approx(3.0)


def test_without_a_zero_level_the_noise_tells():
    """Where nobody knows the camera's zero, a bright sky shows in its noise, and that is said."""
    run = changed(clean_run(pedestal_adu=None), [4], background_adu=1400.0, noise_adu=32.0)
    verdict = grades(run)[4]
    assert first_fault(verdict) is FaultName.BRIGHT_SKY
    assert "zero level is not known" in verdict.faults[0].evidence


def test_cloud_or_bright_sky_where_it_cannot_tell():
    """Without any star's light to follow, lost stars are called what they are."""
    same = {"transparency": None, "throughput": None, "ranked_flux_adu_s": None, "matched_to": None}
    run = changed(clean_run(**same), [9], stars=150)
    verdict = grades(run)[9]
    assert first_fault(verdict) is FaultName.CLOUD
    assert verdict.faults[0].evidence.startswith("cloud or bright sky")


@pytest.mark.parametrize("count", [1, 2])
def test_a_frame_or_two_have_nothing_to_compare_with(count):
    """Runs of one frame and of two are ungraded with a reason, never guessed."""
    for verdict in grades(clean_run(count)):
        assert verdict.grade is Grade.UNGRADED
        assert "nothing to compare with" in verdict.note


@pytest.mark.parametrize("stars", [0, 2])
@pytest.mark.parametrize("count", [1, 2])
def test_few_stars_are_no_fault_of_a_frame_alone(stars, count):
    """Stars with comatic tails are not counted, and a cap looks the same: unknown which."""
    none = {"stars": stars, "fwhm_px": None, "eccentricity": None, "axis_ratio": None}
    for verdict in grades(changed(clean_run(count), range(count), **none)):
        assert (verdict.grade, verdict.faults) == (Grade.UNGRADED, ())
        assert "cap, cover, dome, focus or sky, unknown which" in verdict.note
    for verdict in grades(changed(clean_run(3), range(3), **none)):
        assert (verdict.grade, first_fault(verdict)) == (Grade.REJECT, FaultName.FEW_STARS)


def test_no_exposure_no_grade():
    """A frame whose header gives no exposure time is ungraded, with the reason."""
    verdict = grades(changed(clean_run(), [2], exposure_s=None))[2]
    assert (verdict.grade, verdict.note) == (Grade.UNGRADED, "the header gives no exposure time")


def test_an_unmeasured_frame_says_why():
    """What could not be measured is ungraded with the measurement's own words."""
    run = changed(clean_run(), [2], measured_with=None, notes=("no finite pixel in the frame",))
    assert grades(run)[2].note == "no finite pixel in the frame"


def test_limits_per_filter():
    """A limit set for one filter holds for that filter alone."""
    soft = {"fwhm_px": 3.0, "hfr_px": 0.62 * 3.0}
    policy = Policy(by_filter={"L": {"soft_ratio": Limit(1.2, 1.5)}})
    run = changed(clean_run(), [3], **soft)
    assert grades(run)[3].grade is Grade.KEEP
    assert grades(run, policy)[3].grade is Grade.DOUBTFUL
    red = changed(clean_run(filter="R"), [3], **soft)
    assert grades(red, policy)[3].grade is Grade.KEEP


def test_absolute_limits():
    """A person's own limit in pixels holds whatever the run looks like."""
    policy = Policy({"widest_fwhm_px": Limit(2.0, 2.1)})
    assert all(v.grade is not Grade.KEEP for v in grades(clean_run(), policy))


@settings(max_examples=20)
@given(st.integers(0, 2**32 - 1))
def test_order_changes_nothing(seed):
    """The same frames in any order get the same verdicts."""
    run = changed(clean_run(30), range(5, 12), transparency=0.55)
    run = changed(run, range(20, 24), fwhm_px=3.3, hfr_px=0.53 * 3.3)
    expected = grade_run(run, POLICY)
    random.Random(seed).shuffle(run)
    assert grade_run(run, POLICY) == expected


def test_explanations_agree_with_grades():
    """Every fault of a verdict stands among the checks that explain it."""
    run = changed(clean_run(), [6], transparency=0.6, background_adu=1300.0)
    verdict = grades(run)[6]
    _, _, checks = explain_run(run, POLICY)[run[6].key]
    assert {f.name for f in verdict.faults} == {c.fault for c in checks if c.is_fault}
    assert {c.setting for c in checks} >= {TRANSPARENCY, RATIO}


def test_one_sided_loss_is_told_by_few_stars_too():
    """Twenty-one stars that all stand on one side are an obstruction, however little light is left;
    as few stars all over the frame are cloud.

    By chance a side stays empty of 21 stars once in two million frames (0.5^21).
    """
    covered = {"stars": 21, "transparency": 0.13, "zone_stars": (0, 0, 1, 0, 0, 8, 0, 0, 12)}
    clouded = {"stars": 21, "transparency": 0.13, "zone_stars": (3, 2, 2, 1, 3, 2, 2, 4, 2)}
    run = changed(changed(clean_run(), [20], **covered), [30], **clouded)
    found = grades(run)
    assert [f.name for f in found[20].faults] == [FaultName.OBSTRUCTED]
    assert [f.name for f in found[30].faults] == [FaultName.CLOUD]


@pytest.mark.parametrize("pier_side", ["east", "west"])
def test_the_side_is_named_as_the_picture_shows_it(pier_side):
    """Ninths are turned to be compared after a flip, but the side named is the picture's own."""
    run = [altered(f, pier_side=pier_side) for f in clean_run()]
    run = changed(run, [4], zone_stars=(2, 50, 55, 3, 50, 55, 1, 50, 55))
    (fault,) = grades(run)[4].faults
    assert fault.evidence.startswith("the left third has")


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"fwhm_px": 3.6, "hfr_px": 0.62 * 3.6}, "times this run's usual 2.3 px;"),
        ({"transparency": 0.5}, "this run's clear frames; 500 stars, this run's usual"),
        ({"stars": 90, "transparency": None, "ranked_flux_adu_s": None}, ", this run's usual 50"),
        ({"clipped_stars": 80}, "80 stars saturated, this run's usual 2"),
        ({"background_adu": 1400.0}, "times this run's darkest frames"),
        ({"axis_ratio": 0.6, "eccentricity": 0.8, "alignment": 0.9}, "0.80, the rig's own 0.17"),
        ({"hfr_px": 1.43 * 1.7, "fwhm_px": 2.3}, "times this run's usual"),
    ],
)
def test_evidence_names_what_it_was_compared_with(values, words):
    """Every comparison with the run says so in the same words."""
    verdict = grades(changed(clean_run(), [12], **({"stars": 500} | values)))[12]
    assert any(words in fault.evidence for fault in verdict.faults), verdict.faults


def test_evidence_names_earlier_nights_and_other_filters():
    """A comparison with the last nights, or with other filters of the run, is named as that."""
    earlier = {CLEAN: Earlier(nights=5, fwhm_px=2.2, fwhm_floor_px=2.1)}
    poor = grades(clean_run(fwhm_px=3.7, hfr_px=0.62 * 3.7), history=earlier)
    assert "times the last 5 nights' usual 2.3" in poor[0].faults[0].evidence
    few = changed(clean_run(), [8, 9], filter="B", fwhm_px=4.0, hfr_px=0.62 * 4.0)
    assert "this run's usual in all filters" in grades(few)[8].faults[0].evidence


def test_stretch_in_all_directions_is_said_not_to_be_a_trail():
    """Where the limit is passed but the stars share no direction, the explanation says why."""
    run = changed(clean_run(), [5], axis_ratio=0.7, eccentricity=0.71, alignment=0.2)
    _, _, checks = explain_run(run, POLICY)[run[5].key]
    found = [c for c in checks if c.fault is FaultName.TRAILED]
    assert {c.grade for c in found} == {Grade.KEEP}
    assert found[0].evidence.endswith("20% of it in one direction, too little for a trail")


def test_tilt_is_a_fixed_pattern_and_only_noted():
    """A tilt in frame after frame is the optics' and noted; in one frame alone it is nothing."""
    tilted = grades(clean_run(tilt=0.2))
    assert {(v.grade, first_fault(v)) for v in tilted} == {(Grade.KEEP, FaultName.TILTED)}
    assert "20% across the field, this run's usual 20%" in tilted[0].faults[0].evidence
    assert grades(changed(clean_run(), [5], tilt=0.2))[5].faults == ()


def test_a_night_under_the_moon_throughout_is_compared_with_the_best_frame():
    """A sky five times that of the target's best frame is never kept, though every frame of the
    run has it; half as bright again is nobody's business."""
    sky_adu_s = (800.0 - 500.0) / 300.0  # the run's own, before the airmass is taken out
    lit = grades(clean_run(best_sky_adu_s=sky_adu_s / 5.5, moon_alt_deg=20.0))
    assert {first_fault(v) for v in lit} == {FaultName.BRIGHT_SKY}
    assert {v.grade for v in lit} == {Grade.DOUBTFUL}
    assert "times that of the best frame of this target" in lit[0].faults[0].evidence
    assert {v.grade for v in grades(clean_run(best_sky_adu_s=sky_adu_s / 1.7))} == {Grade.KEEP}


def test_no_frame_is_trailed_that_is_rounder_than_a_trail():
    """Where most of a run is elongated, its rounder frames are not blamed for being unlike it."""
    long = [trail(f, 0.9) for f in clean_run()]
    rounder = {"axis_ratio": (1 - 0.40**2) ** 0.5, "elongation_deg": 105.0}
    run = changed(long, [5, 20], eccentricity=0.40, **rounder)
    found = grades(run)
    assert not any(f.name is FaultName.TRAILED for i in (5, 20) for f in found[i].faults)


def test_a_run_long_throughout_blames_no_frame_for_being_rounder():
    """Where all is long the longer frames may be named, with directions and the difference."""

    def words(eccentricity, **values):
        shape = {"eccentricity": eccentricity, "axis_ratio": (1 - eccentricity**2) ** 0.5}
        run = changed(long, [5], **shape, elongation_deg=105.0, **values)
        trailed = [f for f in grades(run)[5].faults if f.name is FaultName.TRAILED]
        return [f.evidence for f in trailed if "beyond them" in f.evidence]

    long = [trail(f, 0.9) for f in clean_run()]
    assert words(0.46) == words(0.52) == []
    assert words(0.54, eccentricity_err=0.03) == []
    assert words(0.60) == [
        "eccentricity 0.60 along 105 deg; the run's rounder frames 0.52 along 15 deg, by tracking "
        "or optics: 0.73 beyond them; 95% of it in one direction"
    ]


def test_a_lone_cut_out_without_stars_is_not_judged():
    """A small piece of the sky may hold no star; whole frames without any are rejects."""
    none = {"stars": 2, "fwhm_px": None}
    small = changed(clean_run(3), range(3), width=200, height=200, **none)
    assert {verdict.grade for verdict in grades(small)} == {Grade.UNGRADED}
    whole = changed(small, range(3), width=3000, height=2000)
    assert {verdict.grade for verdict in grades(whole)} == {Grade.REJECT}


def test_rings_are_no_halos():
    """A width from moments is that of discs or rings: more light outside says nothing of dew."""
    wings = {"fwhm_px": 2.3, "hfr_px": 1.2 * clean_run()[12].measurement.hfr_px}
    run = changed(clean_run(), [12], **wings)
    assert FaultName.DEW in {f.name for f in grades(run)[12].faults}
    rings = altered(run[12], width_from="moments")
    names = {f.name for f in grades([*run[:12], rings, *run[13:]])[12].faults}
    assert FaultName.DEW not in names
