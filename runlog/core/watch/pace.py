"""How frames of a run follow each other: when the next is due, and whether clocks agree."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from statistics import median

from runlog.core.frame import Frame
from runlog.core.robust import MAD_TO_SIGMA

CLOCKS = "clocks"
KEPT = 40  # gaps that tell the pace
ENOUGH_DELAYS = 3
CLOCKS_APART_S = 60.0
LEAST_SLACK_S = 60.0
ASSUMED_GAP_S = 30.0  # between frames, where none was seen yet (common practice, no source)
# Until it is seen how this rig paces its frames: some wait on purpose, between two of a series.
ENOUGH_GAPS, UNKNOWN_SLACK_S = 3, 900.0


@dataclass(frozen=True, slots=True)
class Pace:
    """How frames follow each other in this run."""

    start_utc: datetime | None = None  # of the last frame
    exposure_s: float = 0.0
    arrived_utc: datetime | None = None
    gaps_s: tuple[float, ...] = ()  # from the end of a frame to the next start
    delays_s: tuple[float, ...] = ()  # from the end of a frame to its arrival, of live frames
    said: int = 0  # times that the next frame was said to be overdue

    @property
    def delay_s(self) -> float | None:
        """Give how long after its end a frame arrives, by two clocks; None where few tell."""
        return median(self.delays_s) if len(self.delays_s) >= ENOUGH_DELAYS else None

    @property
    def clocks_differ(self) -> bool:
        """Tell whether a frame's own times cannot be held against our clock."""
        return self.delay_s is not None and abs(self.delay_s) > CLOCKS_APART_S

    @property
    def clocks_agree(self) -> bool:
        """Tell whether they can, by far: what was said of them is not taken back for a second."""
        return self.delay_s is not None and abs(self.delay_s) < CLOCKS_APART_S / 2

    @property
    def overhead_s(self) -> float:
        """Give the usual gap and what is allowed beyond it."""
        least_s = LEAST_SLACK_S if len(self.gaps_s) >= ENOUGH_GAPS else UNKNOWN_SLACK_S
        return self.usual_gap_s + max(3 * MAD_TO_SIGMA * _mad(self.gaps_s), least_s)

    @property
    def usual_gap_s(self) -> float:
        """Give the usual gap from the end of a frame to the next start."""
        return median(self.gaps_s) if self.gaps_s else ASSUMED_GAP_S


def next_frame(pace: Pace, frame: Frame, arrived_utc: datetime, *, live: bool) -> Pace:
    """Take one more frame in."""
    start, length_s = frame.header.taken_at_utc, frame.header.exposure_s or 0.0
    after = replace(pace, arrived_utc=arrived_utc, exposure_s=length_s, said=0)
    if start is None:
        return replace(after, start_utc=None)
    delay_s = (arrived_utc - start).total_seconds() - length_s
    if live:
        after = replace(after, delays_s=(*pace.delays_s, delay_s)[-ENOUGH_DELAYS:])
    if pace.start_utc is not None and start < pace.start_utc:
        return replace(after, start_utc=pace.start_utc, exposure_s=pace.exposure_s)  # a straggler
    if pace.start_utc is not None:
        gap_s = (start - pace.start_utc).total_seconds() - pace.exposure_s
        after = replace(after, gaps_s=(*pace.gaps_s, max(gap_s, 0.0))[-KEPT:])
    return replace(after, start_utc=start)


def due_utc(pace: Pace) -> datetime | None:
    """Give when the next file is due at the latest, if nothing but the usual comes between.

    The next start is the last start, the exposure and the usual gap; its file comes when it is
    as long and as late as those before. By arrival, where clocks differ or starts are unknown.
    """
    if pace.arrived_utc is None:
        return None
    if pace.clocks_differ or pace.start_utc is None or pace.delay_s is None:
        return pace.arrived_utc + timedelta(seconds=pace.overhead_s + pace.exposure_s)
    seconds = 2 * pace.exposure_s + pace.overhead_s + max(pace.delay_s, 0.0)
    return pace.start_utc + timedelta(seconds=seconds)


def clocks_words(pace: Pace) -> str | None:
    """Say by how much the clocks differ; None where they agree."""
    apart_s = pace.delay_s
    if apart_s is None or not pace.clocks_differ:
        return None
    if apart_s < 0:
        return f"frames arrive {_minutes(-apart_s)} before they end by their own clock"
    return (
        f"frames arrive {_minutes(apart_s)} after their end: clocks differ, or files come late, "
        "unknown which"
    )


def _minutes(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min"


def _mad(values: Sequence[float]) -> float:
    if not values:
        return 0.0
    middle = median(values)
    return median(abs(value - middle) for value in values)
