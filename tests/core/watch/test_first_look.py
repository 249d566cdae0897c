"""The first look at a frame: by earlier nights and the run so far, by the rules of the grading."""

from dataclasses import replace
from math import sqrt

import pytest

from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.grading.grade import grade_run
from runlog.core.grading.history import Earlier
from runlog.core.grading.policy import Policy
from runlog.core.grading.run_usual import RunUsual
from runlog.core.watch.absolutes import FLAT
from runlog.core.watch.first_look import ONLY_SUDDEN, Against, FirstLook, first_look
from runlog.core.watch.weighed import EARLIER_FRAMES, weigh
from tests.core.runs import CLEAN, REFERENCE, altered, changed, clean_run, trail

POLICY = Policy()
HISTORY = {
    CLEAN: Earlier(nights=3, fwhm_px=2.3, fwhm_floor_px=2.1, profile=0.62, lights={REFERENCE: 1.0})
}
CLOUD = {"transparency": 0.3, "throughput": 0.3, "ranked_flux_adu_s": 30.0, "stars": 150}
OUT = {"fwhm_px": 5.75, "hfr_px": 0.41 * 5.75, "stars": 400, "width_from": "moments"}


def _looks(frames: list[Frame], history=None) -> list[FirstLook]:
    return [first_look(frames[: n + 1], f.key, POLICY, history) for n, f in enumerate(frames)]


def _grades(looks: list[FirstLook]) -> list[str]:
    return [look.verdict.grade[0] for look in looks]


def test_usual_is_the_mean_that_a_prior_of_five_frames_gives():
    """(5 x earlier + k x run) / (5 + k): the conjugate prior's, by hand for k = 3 and 15."""
    run = changed(clean_run(20), range(20), fwhm_px=3.1, airmass=1.0)
    (this, *_) = RunUsual(run).compared(POLICY, HISTORY)
    assert EARLIER_FRAMES == 5
    assert weigh(this, 0).shape.fwhm_px == pytest.approx(2.3)
    assert weigh(this, 3).shape.fwhm_px == pytest.approx((5 * 2.3 + 3 * 3.1) / 8)
    assert weigh(this, 15).shape.fwhm_px == pytest.approx((5 * 2.3 + 15 * 3.1) / 20)


def test_clean_night_is_kept_from_its_first_frame_with_history():
    """Each of forty clean frames is kept at first look."""
    looks = _looks(clean_run(40), HISTORY)
    assert _grades(looks) == ["k"] * 40
    assert {look.against for look in looks} == {Against.NIGHTS}


def test_without_history_two_frames_are_too_early_and_the_rest_says_what_it_rests_on():
    """Ungraded, ungraded, then kept with the words that only sudden changes are told."""
    looks = _looks(clean_run(12))
    assert _grades(looks) == ["u", "u"] + ["k"] * 10
    assert looks[0].verdict.note.startswith("too early")
    assert {look.verdict.note for look in looks[2:]} == {ONLY_SUDDEN}


@pytest.mark.parametrize(
    ("values", "fault"),
    [
        ({"stars": 2, "zone_stars": (0,) * 9}, FaultName.FEW_STARS),
        ({"readout": "rows 100 to 200 repeat those before"}, FaultName.READOUT),
        (None, FaultName.TRAILED),
    ],
)
def test_first_frame_is_rejected_by_what_needs_no_comparison(values, fault):
    """Too few stars, a broken readout, a trail of e 0.75 and more in one direction."""
    (frame,) = clean_run(1)
    frame = trail(frame, 3.0) if values is None else altered(frame, **values)
    verdict = first_look([frame], frame.key, POLICY).verdict
    assert verdict.grade is Grade.REJECT
    assert verdict.faults[0].name is fault


@pytest.mark.parametrize(("spoilt", "fault"), [(CLOUD, "cloud"), (OUT, "defocused")])
def test_night_that_begins_badly_does_not_become_normal_with_history(spoilt, fault):
    """Eight bad frames first: each told at once, and the good ones after them all kept."""
    looks = _looks(changed(clean_run(24), range(8), **spoilt), HISTORY)
    assert _grades(looks) == ["r"] * 8 + ["k"] * 16
    assert {look.verdict.faults[0].name for look in looks[:8]} == {fault}


@pytest.mark.parametrize("spoilt", [CLOUD, OUT])
def test_first_good_frame_is_no_trouble_without_history(spoilt):
    """Whatever the start was held for, no good frame after it is doubted."""
    looks = _looks(changed(clean_run(24), range(8), **spoilt))
    assert set(_grades(looks[8:])) == {"k"}


def test_discs_are_told_without_history():
    """Physics alone: stars 2.5 times as wide with the profile of a disc."""
    looks = _looks(changed(clean_run(12), range(6), **OUT))
    assert _grades(looks[2:6]) == ["r"] * 4


def test_cap_at_the_start_is_no_dark_sky_to_measure_by():
    """Frames without a star do not say how dark the sky is."""
    cap = {"stars": 0, "zone_stars": (0,) * 9, "background_adu": 501.0, "noise_adu": 3.0}
    cap |= {"fwhm_px": None, "hfr_px": None, "axis_ratio": None, "eccentricity": None}
    cap |= {"ranked_flux_adu_s": None, "transparency": None, "shift_x_px": None}
    looks = _looks(changed(clean_run(12), range(3), **cap))
    assert _grades(looks[:3]) == ["r"] * 3
    assert not {"r", "d"} & set(_grades(looks[3:]))


def test_weighed_usual_is_named_for_what_it_is():
    """A sentence does not call this run's what earlier nights had a part in."""
    run = changed(clean_run(10), [9], **CLOUD)
    verdict = first_look(run, run[9].key, POLICY, HISTORY).verdict
    assert "earlier nights' and this run's clear frames" in verdict.faults[0].evidence


def test_order_of_the_frames_changes_nothing():
    """The run so far is a set of frames."""
    run = changed(clean_run(20), range(4), **OUT)
    last = run[-1].key
    for history in (None, HISTORY):
        assert first_look(run, last, POLICY, history) == first_look(
            run[::-1], last, POLICY, history
        )


def test_unmeasured_frame_is_ungraded_with_its_reason():
    """A frame whose pixels said nothing is no reject."""
    run = changed(clean_run(4), [3], measured_with=None, notes=("frame is saturated",))
    verdict = first_look(run, run[3].key, POLICY).verdict
    assert (verdict.grade, verdict.note) == (Grade.UNGRADED, "frame is saturated")


def test_later_nights_are_not_weighed_in():
    """A watch that catches up on an old night rejects nothing by nights after it."""
    later = {CLEAN: replace(HISTORY[CLEAN], later=3)}
    (this, *_) = RunUsual(clean_run(5)).compared(POLICY, later)
    assert weigh(this, 2) is this


def _moffat_profile(beta: float) -> float:
    """Half-flux radius over FWHM of a Moffat (Trujillo et al. 2001, MNRAS 328, 977)."""
    return sqrt(2 ** (1 / (beta - 1)) - 1) / (2 * sqrt(2 ** (1 / beta) - 1))


def _flat(share: float = 0.51):
    return {"fwhm_px": lambda f: 1.6 * f.measurement.fwhm_px, "hfr_px": 1.6 * 2.3 * share}


def test_stars_flatter_than_air_makes_them_are_out_of_focus_with_nothing_to_compare_with():
    """A run that begins 1.6 times too wide at 0.51: told from its first frame, over with the first
    sharp one, and the last word agrees. The air alone makes more than the limit, beta 10 less."""
    assert _moffat_profile(10) < FLAT < _moffat_profile(4.765)
    run = changed(clean_run(20, fwhm_px=2.3, hfr_px=2.3 * 0.61), range(6), **_flat())
    looks = _looks(run)
    assert _grades(looks) == ["r"] * 6 + ["k"] * 14
    assert {f.name for look in looks[:6] for f in look.verdict.faults} == {FaultName.DEFOCUSED}
    last = grade_run(run, POLICY)
    assert [last[f.key].grade[0] for f in run] == ["r"] * 6 + ["k"] * 14


@pytest.mark.parametrize(
    "spared",
    [{"stars": 12}, {"width_from": "moments"}, {"eccentricity": 0.6}, {"doubled_share": 0.5}],
    ids=str,
)
def test_flat_stars_tell_no_focus_where_something_else_may_flatten_them(spared):
    """Few stars, a mean picture, a trail, a second image: their profile alone rejects nothing."""
    run = changed(clean_run(8, fwhm_px=2.3, hfr_px=2.3 * 0.61), range(8), **_flat())
    looks = _looks(changed(run, range(8), **spared))
    assert "half-flux radius" not in str([look.verdict.faults for look in looks])


def test_earlier_nights_say_better_than_any_limit_how_flat_stars_are_in_focus():
    """A rig whose stars are always so flat is not out of focus."""
    earlier = {CLEAN: replace(HISTORY[CLEAN], profile=0.51, fwhm_px=3.7, fwhm_floor_px=3.5)}
    run = changed(clean_run(8, fwhm_px=2.3, hfr_px=2.3 * 0.61), range(8), **_flat())
    assert _grades(_looks(run, earlier)) == ["k"] * 8
