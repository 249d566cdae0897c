"""Which frames something stands in front of: the tree's half of a night is told by stars."""

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.clear_view import covered, usual_shares, view_of
from runlog.core.grading.grade import grade_run
from runlog.core.grading.policy import Policy
from runlog.core.grading.wrong_filter import wrong_filters
from tests.core.runs import changed, clean_run

OPEN = (60, 50, 44, 62, 52, 40, 58, 55, 41)  # a field with more stars on its left
HALF = (3, 40, 44, 2, 45, 40, 0, 42, 41)  # the same with a tree before its left third
SKY = 500 + 300 * 1.0


def tree_night(behind, count=40, **tree):
    """Make a run of which the frames `behind` have a dark tree on their left."""
    run = clean_run(count, zone_stars=OPEN, stars=sum(OPEN), pier_side="east", moon_alt_deg=40.0)
    dark = {"background_adu": 500 + 300 * 0.45, "noise_adu": 12.0}
    values = {"zone_stars": HALF, "stars": sum(HALF), "ranked_flux_adu_s": 70.0} | dark | tree
    return changed(run, behind, **values)


@pytest.mark.parametrize("behind", [range(6), range(20), range(12, 40), range(4, 40)])
def test_the_tree_is_blamed_and_not_the_open_sky(behind):
    """Guards clean frames from being the obstructed ones where the tree has most of the night.

    They are kept, under the Moon too: a dark tree is no quiet sky to compare with.
    """
    run = tree_night(behind)
    verdicts = grade_run(run, Policy())
    for n, frame in enumerate(run):
        found = verdicts[frame.key]
        assert (found.grade is Grade.KEEP) == (n not in behind), (n, found)
        if n in behind:
            assert found.faults[0].name is FaultName.OBSTRUCTED
            assert found.faults[0].evidence.startswith("the left third has")
    assert covered(run) == {run[n].key for n in behind}


def test_a_lit_wall_is_in_front_as_a_dark_tree_is():
    """What covers may be brighter than the sky: stars tell it, not its light."""
    run = tree_night(range(22), background_adu=500 + 300 * 3.0, noise_adu=32.0)
    verdicts = grade_run(run, Policy())
    assert {verdicts[f.key].faults[0].name for f in run[:22]} == {FaultName.OBSTRUCTED}
    assert {verdicts[f.key].grade for f in run[22:]} == {Grade.KEEP}


@pytest.mark.parametrize("written", [True, False])
def test_a_flip_turns_the_field_and_not_the_frame(written):
    """After a flip the field's rich side lies right; where no header says so its stars do."""
    side = {"pier_side": "west"} if written else {"pier_side": None, "rotation_deg": 179.6}
    here = {} if written else {"pier_side": None, "rotation_deg": 0.2}
    run = changed(tree_night(range(25, 32)), range(40), **here)
    turned = {"zone_stars": OPEN[::-1], "stars": sum(OPEN)}
    run = changed(run, range(18), **side, **turned)
    assert covered(run) == {f.key for f in run[25:32]}


def test_a_field_that_is_uneven_by_itself_is_not_covered():
    """Few stars on one side of every frame are the field's, whatever the depth of a frame."""
    edge = (90, 60, 22, 95, 58, 20, 88, 64, 19)
    run = clean_run(zone_stars=edge, stars=sum(edge))
    hazy = tuple(round(n * 0.5) for n in edge)
    run = changed(run, range(10, 30), zone_stars=hazy, stars=sum(hazy), transparency=0.6)
    assert covered(run) == frozenset()


def test_a_roof_in_every_frame_costs_no_frame():
    """What is in all frames of a night is not told from the field itself: no frame is rejected."""
    run = clean_run(zone_stars=HALF, stars=sum(HALF))
    assert {v.grade for v in grade_run(run, Policy()).values()} == {Grade.KEEP}


def test_a_frame_behind_it_altogether_is_named_by_those_beside_it():
    """With no star left nothing shows a side; the frames before it were covered in part."""
    gone = {"zone_stars": (0,) * 9, "stars": 0, "fwhm_px": None, "transparency": None}
    run = changed(tree_night(range(30, 36)), range(36, 40), **gone, shift_x_px=None)
    verdicts = grade_run(run, Policy())
    assert {verdicts[f.key].faults[0].name for f in run[30:]} == {FaultName.OBSTRUCTED}
    capped = changed(tree_night(range(10, 16)), range(36, 40), **gone, shift_x_px=None)
    verdicts = grade_run(capped, Policy())
    assert FaultName.OBSTRUCTED not in {f.name for k in capped[36:] for f in verdicts[k.key].faults}


def test_the_stars_left_beside_covered_frames_are_counted():
    """Guards the evidence of a frame behind it altogether: the stars it has, and the usual."""
    last = {"zone_stars": (1, 1, 1, 0, 2, 1, 1, 1, 1), "stars": 9, "transparency": None}
    run = changed(tree_night(range(30, 38)), [38, 39], **last, fwhm_px=None, shift_x_px=None)
    faults = [f for v in list(grade_run(run, Policy()).values())[38:] for f in v.faults]
    told = [f.evidence for f in faults if f.name is FaultName.OBSTRUCTED]
    assert len(told) == 2
    assert all(one.startswith("9 stars, this run's usual ") for one in told)


def test_three_frames_show_how_the_stars_of_a_field_lie():
    """Guards the fewest frames that tell a field's shares: two may both be covered."""
    run = clean_run(3, zone_stars=OPEN, stars=sum(OPEN), pier_side="east")
    assert usual_shares(run) == pytest.approx([n / sum(OPEN) for n in OPEN])
    assert usual_shares(run[:2]) == ()


def test_a_tree_is_no_other_filter():
    """A tree takes stars and sky alike: nobody is asked about a filter for it."""
    run = tree_night(range(20), ranked_flux_adu_s=30.0, background_adu=500 + 300 * 0.4)
    assert wrong_filters(run) == []


def test_few_stars_are_left_to_chance():
    """Of a dozen stars none on one side is chance now and then: nothing is said of it."""
    poor = (2, 1, 1, 2, 1, 1, 2, 1, 1)
    run = changed(clean_run(zone_stars=OPEN, stars=sum(OPEN)), [5], zone_stars=poor, stars=12)
    view = view_of(changed(run, [5], zone_stars=(2, 1, 0, 2, 1, 0, 2, 1, 1))[5], usual_shares(run))
    assert view is not None
    assert not view.sure


@given(st.randoms(use_true_random=False))
@settings(max_examples=20)
def test_the_order_of_frames_does_not_matter(shuffler: random.Random):
    """What is covered is the same in any order of frames."""
    run = tree_night(range(15, 40))
    mixed = list(run)
    shuffler.shuffle(mixed)
    assert covered(mixed) == covered(run)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_a_few_frames_have_nothing_in_front(count):
    """With fewer than three frames nothing is usual, and none of three alike is covered."""
    assert covered(clean_run(count, zone_stars=HALF, stars=sum(HALF))) == frozenset()


def test_a_filter_used_behind_the_tree_alone_is_compared_with_the_others():
    """Of ten frames through one filter all have the tree: those of the same place say so.

    Where the headers do not say that it is the same place, nothing is said of them.
    """
    here = {"ra_deg": 20.0, "dec_deg": 30.0, "arcsec_per_px": 2.0}
    run = changed(tree_night(range(30, 40)), range(40), **here)
    run = changed(run, range(30, 40), filter="Ha", exposure_s=600.0, matched_to="e" * 32)
    verdicts = grade_run(run, Policy())
    assert {verdicts[f.key].faults[0].name for f in run[30:]} == {FaultName.OBSTRUCTED}
    assert {verdicts[f.key].grade for f in run[:30]} == {Grade.KEEP}
    elsewhere = changed(run, range(30, 40), dec_deg=33.0)
    assert covered(elsewhere) == frozenset()


BANDED = "rows 465 to 557 stand 5 ADU above their neighbours, 0.4 times the noise"


def test_a_roofs_edge_is_no_glitch_of_reading_out():
    """Guards the name of covered frames: the edge of a roof makes rows differ as a glitch does."""
    run = changed(tree_night(range(25, 40)), [37], readout=BANDED)
    verdicts = grade_run(run, Policy())
    assert verdicts[run[37].key].faults[0].name is FaultName.OBSTRUCTED
    assert verdicts[run[37].key].grade is Grade.REJECT


@pytest.mark.parametrize("glitches", [[20], [20, 21, 22]])
def test_a_glitch_that_takes_stars_is_nothing_in_front(glitches):
    """Guards the other way: what takes stars of frames that were read out wrong is the glitch."""
    run = changed(tree_night(glitches), glitches, readout=BANDED)
    verdicts = grade_run(run, Policy())
    for n in glitches:
        assert verdicts[run[n].key].faults[0].name is FaultName.READOUT


def test_a_glitch_of_a_frame_in_the_open_stays_one():
    """Guards glitches on nights with a tree: a frame with all of its stars is not behind it."""
    run = changed(tree_night(range(25, 40)), [10], readout=BANDED)
    verdicts = grade_run(run, Policy())
    assert verdicts[run[10].key].faults[0].name is FaultName.READOUT
