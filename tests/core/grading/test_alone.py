"""Frames with nothing to compare with: what shows in them is told, and nothing is called good."""

import pytest

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.grade import alone_in, grade_run
from runlog.core.grading.history import Earlier
from runlog.core.grading.policy import Policy
from runlog.core.story.model import GradedLight, Opinion, Part
from runlog.core.story.tell import tell
from tests.core.runs import CLEAN, altered, changed, clean_run

TWICE = {"doubled_share": 0.9, "doubled_px": 8.0, "eccentricity": 0.97}
EARLIER = {CLEAN: Earlier(nights=5, fwhm_px=2.3, fwhm_floor_px=2.1)}


def parts(frames, history=None):
    """Grade a run and give the verdict on each part."""
    found = grade_run(frames, Policy(), history)
    told = (GradedLight(f, found[f.key], found[f.key].grade) for f in frames)
    return tell(told, Policy()).verdicts


def test_a_lone_doubled_frame_has_no_good_focus_and_sky():
    """A fault that shows by itself is told; what needs comparing stays unknown, and why."""
    told = parts(changed(clean_run(1), [0], **TWICE))
    assert told[Part.TRACKING].verdict is Opinion.POOR
    for part in (Part.FOCUS, Part.SKY):
        assert told[part].verdict is Opinion.UNKNOWN
        assert "nothing to compare with" in told[part].evidence


def test_doubling_is_no_elongation_of_the_run():
    """Two images measured as one look long: they do not make the stars of the run elongated."""
    alone = parts(changed(clean_run(1), [0], **TWICE))[Part.TRACKING].evidence
    assert alone.startswith("1 of 1 frame doubled")
    assert "elongated" not in alone
    most = parts(changed(clean_run(), range(30), **TWICE))[Part.TRACKING].evidence
    assert "median eccentricity 0.17" in most


@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("history", [{}, EARLIER])
def test_the_story_finds_the_same_frames_alone_as_the_grades(count, history):
    """What is not stored with a verdict is reckoned again from the run, and agrees."""
    run = changed(clean_run(count), [0], **TWICE)
    found = grade_run(run, Policy(), history)
    assert alone_in(run, history) == {key for key, v in found.items() if v.alone}
    assert bool(alone_in(run, history)) == (count < 3 and not history)


def test_a_lone_frame_says_how_long_its_stars_are():
    """Nothing to compare with is no reason to keep a number back."""
    seen = {"eccentricity": 0.89, "axis_ratio": 0.46, "alignment": 0.99}
    told = parts(changed(clean_run(1), [0], **seen))[Part.TRACKING]
    assert told.verdict is Opinion.UNKNOWN
    assert "eccentricity 0.89, 99% of it in one direction: tracking or optics" in told.evidence
    lines = {"eccentricity": 0.98, "axis_ratio": 0.2, "alignment": 1.0}
    told = parts(changed(clean_run(1), [0], **lines))[Part.TRACKING].evidence
    assert "a trail, or lines that are no stars, unknown which" in told
    round_stars = parts(clean_run(2))[Part.TRACKING].evidence
    assert round_stars.endswith("the highest eccentricity 0.17")
    radial = parts(changed(clean_run(1), [0], **(seen | {"alignment": 0.1})))[Part.TRACKING]
    assert "tracking or optics" not in radial.evidence


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"stars": 0, "fwhm_px": None, "width": 200, "height": 200}, "no stars were found"),
        ({"stars": 0, "fwhm_px": None}, "no stars were found (cap, cover, dome, focus or sky, unk"),
        ({"stars": 1}, "only 1 star was found (cap, cover, dome, focus or sky, unknown which)"),
        ({"stars": 3}, "only 3 stars were found (cap, cover, dome, focus or sky, unknown which)"),
        ({"fwhm_px": None}, "its stars gave no width"),
        ({}, "no other frame of this run and no earlier night is like it"),
    ],
)
def test_the_reason_for_no_grade_is_the_true_one(values, words):
    """A frame without stars is not ungraded for want of other frames."""
    run = changed(clean_run(1), [0], **values)
    (verdict,) = grade_run(run, Policy()).values()
    assert verdict.grade is Grade.UNGRADED
    assert verdict.note.startswith(words)


def test_two_frames_are_told_as_two():
    """Each of two frames has one other."""
    for verdict in grade_run(clean_run(2), Policy()).values():
        assert verdict.note.startswith("only one other frame of this run")


LINES = {"axis_ratio": 0.2, "eccentricity": 0.98, "elongation_deg": 88.0, "alignment": 1.0}


@pytest.mark.parametrize("count", [1, 2, 3, 12])
@pytest.mark.parametrize("history", [{}, EARLIER])
def test_lines_are_no_stars_however_many_frames_show_them(count, history):
    """A lamp's spectrum headed as lights is the run's usual to itself, and yet never kept."""
    run = changed(clean_run(count), range(count), **LINES)
    for verdict in grade_run(run, Policy(), history).values():
        assert verdict.grade is Grade.UNGRADED
        assert "a trail, or lines that are no stars, unknown which" in verdict.note
    told = parts(run, history)[Part.TRACKING]
    assert (told.verdict, told.evidence.count("lines that are no stars")) == (Opinion.UNKNOWN, 1)


def test_lines_among_rounder_frames_are_trails():
    """Where the run shows what its stars look like, lines are stars that trailed."""
    found = grade_run(changed(clean_run(12), range(4), **LINES), Policy())
    for number, verdict in enumerate(found.values()):
        named = [f.name for f in verdict.faults]
        assert (verdict.grade is Grade.REJECT and FaultName.TRAILED in named) == (number < 4)


@pytest.mark.parametrize("count", [1, 12])
def test_next_to_no_stars_all_night_is_not_the_skys_fault(count):
    """A cap, a closed dome and a coma instead of stars look alike: unknown which."""
    told = parts(changed(clean_run(count), range(count), stars=2, fwhm_px=None))[Part.SKY]
    assert told.verdict is Opinion.UNKNOWN
    assert "cap, cover, dome, focus or sky, unknown which" in told.evidence


def test_next_to_no_stars_for_a_while_is_still_told():
    """Where other frames show the field, those without stars count against the night."""
    told = parts(changed(clean_run(), range(10, 18), stars=2, fwhm_px=None, transparency=None,
                         ranked_flux_adu_s=None, matched_to=None))[Part.SKY]  # fmt: skip
    assert told.verdict is Opinion.POOR
    assert "next to no stars" in told.evidence


def test_a_frame_laid_on_itself_is_no_frame_on_target():
    """Two targets with one frame each say nothing of pointing; two frames of one target do."""
    run = [altered(f, matched_to=f.key) for f in clean_run(2)]
    run[1] = altered(run[1], target="M 31")
    assert parts(run)[Part.POINTING].verdict is Opinion.UNKNOWN
    first = run[0].key
    same = [altered(f, matched_to=first, best_of_name=first, target="M 33") for f in run]
    assert parts(same)[Part.POINTING].evidence.startswith("2 frames on target")


def test_a_lone_fault_is_named_as_ever():
    """The grade of a lone doubled frame stays a reject."""
    (verdict,) = grade_run(changed(clean_run(1), [0], **TWICE), Policy()).values()
    assert (verdict.grade, verdict.faults[0].name) == (Grade.REJECT, FaultName.DOUBLED)


def test_a_night_of_other_frames_says_that_it_has_no_lights():
    """No part of the rig is unknown for want of stars or temperatures where nothing was taken."""
    assert {(v.verdict, v.evidence) for v in parts([]).values()} == {
        (Opinion.UNKNOWN, "unknown, because there are no lights")
    }
    undated = altered(clean_run(1)[0], taken_at_utc=None)
    assert {v.evidence for v in parts([undated]).values()} == {
        "unknown, because no light frame tells its time"
    }


def test_what_stands_out_in_a_lone_frame_is_said_of_it():
    """The count of frames does not run into the number of a row."""
    doubt = "row 109 stands 36.6 ADU below its neighbours"
    alone = parts(changed(clean_run(1), [0], readout_doubt=doubt))[Part.CAMERA].evidence
    assert f"in the only frame: {doubt}" in alone
    more = parts(changed(clean_run(2), [0], readout_doubt=doubt))[Part.CAMERA].evidence
    assert f"in 1 frame of 2: {doubt}" in more


def test_no_shutter_is_told_of_exposures_of_unknown_length():
    """Guards "shutter open 0 %" and what to check for it, where no header gives a length."""
    none = parts(changed(clean_run(12), range(12), exposure_s=None))[Part.SCHEDULE]
    assert none.verdict is Opinion.UNKNOWN
    assert none.evidence == "unknown, because no light frame tells how long it was exposed"
    some = parts(changed(clean_run(12), range(2), exposure_s=None))[Part.SCHEDULE].evidence
    assert "2 frames of unknown length left out" in some
