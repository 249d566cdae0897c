"""The replay of the watch: that its clean nights are clean, and that it would hear trouble."""

from dataclasses import replace

from runlog.core.frame import Grade
from runlog.core.watch.alarms import What
from runlog.core.watch.overdue import Waits

from .watch_clean import POLICY, watched
from .watch_rows import clean_night, history_of

SEED = 3


def test_clean_night_is_kept_and_nothing_is_said():
    """One drawn night, with and without earlier ones: no warning, nothing rejected."""
    night = clean_night(SEED)
    for history in (history_of(SEED, POLICY), {}):
        looks, said, _ = watched(night, history)
        assert not said
        assert Grade.REJECT not in {look.verdict.grade for look in looks}


def test_night_that_stops_is_heard():
    """The same night cut off in the middle, with hours of dark to come: overdue, twice."""
    night = clean_night(SEED)
    half = night.frames[: len(night.frames) // 2]
    _, said, _ = watched(replace(night, frames=half, waits=Waits()), {})
    assert [a.what for a in said] == [What.OVERDUE] * 2
