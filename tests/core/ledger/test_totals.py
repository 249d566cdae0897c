"""Sums of exposure time: laws, and facts of the trade."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.frame import Grade, Lacks
from runlog.core.ledger.totals import RunSum, Total, sum_run
from tests.core.runs import altered, blank


def frame(key, length_s, target="M 33", filter_name="L", grade=Grade.KEEP):
    """Make a light frame of some length."""
    start = datetime(2026, 10, 9, 22, tzinfo=UTC)
    return altered(blank(key, start, length_s, target, filter_name), grade=grade)


GRADED = st.lists(
    st.builds(
        lambda length, target, name, grade: frame("k", length, target, name, grade),
        st.one_of(st.none(), st.integers(1, 3600).map(float)),
        st.sampled_from(["M 33", "NGC 7000"]),
        st.sampled_from(["L", "Ha"]),
        st.sampled_from(list(Grade)),
    )
)


def merged(*parts: list[RunSum]) -> dict:
    """Add up sums of several parts."""
    names = "frames logged_s kept_s doubtful_s rejected_s ungraded_s".split()
    out: dict = {}
    for s in (s for part in parts for s in part):
        have = out.setdefault((s.target, s.filter), dict.fromkeys(names, 0))
        for name in names:
            have[name] += getattr(s, name)
    return out


@given(GRADED, st.integers(0, 50))
def test_sums_are_additive(graded, cut):
    """A run split in two anywhere gives the same sums (whole seconds: exact in floats)."""
    whole = merged(sum_run(graded))
    assert whole == merged(sum_run(graded[:cut]), sum_run(graded[cut:]))


@given(GRADED, st.randoms(use_true_random=False))
def test_sums_ignore_order(graded, random):
    """Row order changes nothing."""
    shuffled = list(graded)
    random.shuffle(shuffled)
    assert sum_run(shuffled) == sum_run(graded)


@given(GRADED)
def test_the_four_grades_add_up(graded):
    """Kept, doubtful, rejected and ungraded time is all the time logged."""
    for s in sum_run(graded):
        assert s.kept_s + s.doubtful_s + s.rejected_s + s.ungraded_s == s.logged_s


def test_71_frames_of_5_minutes():
    """71 frames of 5 minutes are 355 minutes (common practice, no source)."""
    (total,) = sum_run(frame(str(i), 300.0) for i in range(71))
    assert total.frames == 71
    assert total.logged_s == 355 * 60


@given(st.floats(0, 1e7), st.floats(0, 1e7))
def test_to_go_never_below_zero(goal_s, kept_s):
    """Goal minus kept, and nothing once the goal is reached."""
    total = Total("M 33", "L", 1, kept_s, kept_s, goal_s=goal_s)
    assert total.to_go_s == max(goal_s - kept_s, 0.0)


@pytest.mark.parametrize(
    ("goal_h", "frames", "expected"), [(10, 71, 49), (5, 71, 0), (6, 71, 1), (None, 71, None)]
)
def test_frames_to_go(goal_h, frames, expected):
    """Five-minute frames that fill what is to go: 10 h less 5 h 55 min is 49 of them."""
    goal_s = None if goal_h is None else goal_h * 3600.0
    total = Total("M 33", "L", frames, frames * 300.0, frames * 300.0, goal_s=goal_s)
    assert total.frames_to_go == expected


def test_no_frame_tells_no_length():
    """A goal nothing was shot for says hours to go, and not how many frames."""
    total = Total("M 33", "L", goal_s=3600.0)
    assert total.to_go_s == 3600.0
    assert total.frames_to_go is None


def test_kept_frames_of_unknown_depth_are_counted_by_what_they_lack():
    """Only keepers count, each by the one thing that is missing."""

    def lacking(key, grade, why):
        return altered(frame(key, 300.0, grade=grade), depth_lacks=why)

    run = [
        lacking("a", Grade.KEEP, None),
        lacking("b", Grade.KEEP, Lacks.GAIN),
        lacking("c", Grade.KEEP, Lacks.GAIN),
        lacking("d", Grade.KEEP, Lacks.WHOLE),
        lacking("e", Grade.DOUBTFUL, Lacks.ZERO),
    ]
    (total,) = sum_run(run)
    counts = (total.lack_gain, total.lack_zero, total.lack_stars, total.lack_whole)
    assert counts == (2, 0, 0, 1)


def test_a_frame_of_unknown_length_adds_no_time():
    """It is counted as a frame, and as no second."""
    (total,) = sum_run([frame("a", None)])
    assert (total.frames, total.logged_s) == (1, 0.0)


def test_the_share_that_was_kept():
    """Guards "kept" beside "logged": three of four equal frames are three quarters."""
    assert Total("M 33", "L", 4, 1200.0, 900.0).share_kept == 0.75
    assert Total("M 33", "L").share_kept is None
