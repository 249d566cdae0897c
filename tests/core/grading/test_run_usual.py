"""What is usual in a run is found once, and serves all who ask: it must change no answer."""

from dataclasses import replace
from random import Random

import pytest

from runlog.core.frame import Frame, Grade
from runlog.core.grading.grade import grade_run
from runlog.core.grading.history import Earlier
from runlog.core.grading.own_run import spoilt
from runlog.core.grading.policy import Policy
from runlog.core.grading.run_usual import RunUsual
from runlog.core.grading.usable import usable
from tests.core.runs import CLEAN, REFERENCE, altered, changed, clean_run, trail

POLICY = Policy()
HISTORY = {
    CLEAN: Earlier(nights=3, fwhm_px=2.3, fwhm_floor_px=2.1, profile=0.62, lights={REFERENCE: 1.0})
}


def _spoil(frame: Frame, draw: Random) -> Frame:
    """Put a frame into some trouble, or none."""
    left = draw.uniform(0.1, 0.9)
    stars = frame.measurement.stars or 0
    return draw.choice(
        [
            lambda f: f,
            lambda f: trail(f, 1.5),
            lambda f: altered(f, transparency=left, throughput=left, stars=round(left * stars)),
            lambda f: altered(f, fwhm_px=4.4, hfr_px=0.45 * 4.4),
            lambda f: altered(f, background_adu=500 + 300 * draw.uniform(1, 12)),
            lambda f: altered(f, best_sky_adu_s=0.2),
            lambda f: altered(f, zone_stars=(0, 30, 60) * 3, stars=270),
            lambda f: altered(f, stars=0, fwhm_px=None, hfr_px=None, zone_stars=(0,) * 9),
            lambda f: replace(f, measurement=replace(f.measurement, measured_with=None)),
        ]
    )(frame)


def _night(seed: int) -> list[Frame]:
    """Draw a run of two filters with a good deal of trouble in it."""
    draw = Random(seed)
    run = changed(clean_run(draw.randint(1, 40), seed=seed), range(0, 40, 3)[:1], airmass=1.4)
    run = [_spoil(frame, draw) if draw.random() < 0.4 else frame for frame in run]
    run = [altered(f, filter=draw.choice(["L", "L", "R"])) for f in run]
    draw.shuffle(run)
    return run


def _graded(frame: Frame, draw: Random) -> Frame:
    grade = draw.choice(list(Grade))
    return replace(frame, judgement=replace(frame.judgement, grade=grade, depth_base=REFERENCE))


@pytest.mark.parametrize("history", [{}, HISTORY], ids=["alone", "with earlier nights"])
@pytest.mark.parametrize("seed", range(40))
def test_one_serves_grading_summing_up_and_depth(seed, history):
    """Shared or found anew by each, frames graded meanwhile or not: the same to the last bit."""
    run, draw = _night(seed), Random(seed)
    usual = RunUsual(run)
    verdicts = grade_run(run, POLICY, history, usual)
    assert verdicts == grade_run(run, POLICY, history)
    measured = [f for f in run if f.measurement.measured]
    assert usual.measured == measured
    marks = {f.key: draw.choice(list(Grade)) for f in run if draw.random() < 0.1}
    kept = [] if history else [key for key, v in verdicts.items() if v.grade is Grade.KEEP]
    assert usable(measured, POLICY, marks, usual, kept) == usable(measured, POLICY, marks)
    graded = [_graded(frame, draw) for frame in run]
    assert spoilt(graded, POLICY, usual) == spoilt(graded, POLICY)


@pytest.mark.parametrize("seed", range(40))
def test_frame_by_frame_or_all_at_once(seed):
    """What is usual after the last frame, in whatever order they came, is what all give at once."""
    run = _night(seed)
    by_key = sorted(run, key=lambda f: f.key)
    one, other = (RunUsual(frames).compared(POLICY, HISTORY) for frames in (run, by_key))
    assert sorted(one, key=lambda this: this.frame.key) == other
