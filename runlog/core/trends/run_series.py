"""What a run says to months of its rig, kept with it: points of series, and sweeps."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from runlog.core.focus.found import FoundFocus, found_in_run, sweeps_digest
from runlog.core.frame import Frame
from runlog.core.grading.summary import RunSummary
from runlog.core.ledger.totals import RunSum
from runlog.core.trends.numbers import numbers_of
from runlog.core.trends.of_run import RunPoints, points_of


@dataclass(frozen=True, slots=True)
class RunSeries:
    """The points of a run, and its sweeps that found the focus, in order of time."""

    points: RunPoints
    sweeps: tuple[FoundFocus, ...] = ()
    swept: str = ""  # digest of the frames that the sweeps are of


def series_of_run(
    frames: Sequence[Frame],
    summaries: Sequence[RunSummary],
    sums: Iterable[RunSum],
    before: RunSeries | None = None,
) -> RunSeries:
    """Make them of all frames of a run; sweeps of frames as they were `before` are not refitted."""
    swept = sweeps_digest(frames)
    stand = before is not None and before.swept == swept
    sweeps = before.sweeps if before and stand else tuple(found_in_run(frames) if swept else ())
    return RunSeries(points_of(numbers_of(frames, summaries, sums)), sweeps, swept)
