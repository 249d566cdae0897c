"""A series: what runs gave of one kind, filter and setting."""

from dataclasses import dataclass

from runlog.core.trends.kinds import SeriesKind

FEWEST_FOR_TREND, FEWEST_FOR_STEP = 12, 20  # runs
SURE = 0.01  # chance, after correction for the number of series of a rig


@dataclass(frozen=True, slots=True)
class Point:
    """What one run gave."""

    night: str  # ISO date of the evening
    value: float


@dataclass(frozen=True, slots=True)
class Series:
    """The points of one kind, filter and setting of a rig, by night; and why others are missing."""

    kind: SeriesKind
    rig: str
    filter: str = ""  # "" where it is of all filters together
    setting: str = ""
    unit: str | None = None  # where it is not the kind's own
    points: tuple[Point, ...] = ()
    left_out: tuple[str, ...] = ()  # in words
    nights_left_out: int = 0

    @property
    def nights(self) -> int:
        """Count the nights that tell it or could."""
        return len(self.points) + self.nights_left_out
