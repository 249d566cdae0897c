"""How many more nights the goals need, from the person's own record, with a range.

A night's yield of a filter is what was kept of it on a night it was used. Needing S seconds at a
mean yield m with standard deviation s, n nights bring n m give or take sqrt(n) s; that m itself is
known from N nights only adds n s / sqrt(N). The range is where the sum's 10 % and 90 % points reach
S (normal approximation to a sum of nights; Student's t for so few nights). Checked by simulation.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from math import ceil, sqrt
from statistics import fmean, stdev

from runlog.core.columns import plural
from runlog.core.student import student_t90

FEWEST_NIGHTS = 5  # fewer tell no spread worth a range
MOST_NIGHTS = 2000
LEAST_YIELD_S = 1.0  # a usual night that brings less brought nothing


@dataclass(frozen=True, slots=True)
class Yield:
    """What nights brought: kept seconds of each night a filter was used, and the share kept."""

    kept_s: tuple[float, ...]
    logged_s: float

    @property
    def nights(self) -> int:
        """Nights it was used."""
        return len(self.kept_s)

    @property
    def usual_s(self) -> float | None:
        """Kept seconds of a usual night."""
        return fmean(self.kept_s) if self.kept_s else None

    @property
    def brought_nothing(self) -> bool:
        """Whether there were nights, and nothing worth counting was kept of them."""
        return self.usual_s is not None and self.usual_s < LEAST_YIELD_S

    @property
    def share_kept(self) -> float | None:
        """Share of the logged time that was kept."""
        return sum(self.kept_s) / self.logged_s if self.logged_s else None


@dataclass(frozen=True, slots=True)
class Nights:
    """Nights still needed: likely, and from the lucky to the unlucky end of the range."""

    likely: int
    few: int
    many: int | None  # None: no end in sight at this rate


def nights_needed(to_go_s: float, record: Yield) -> Nights | None:
    """Forecast the nights a need takes; None when the record is too short or brought nothing."""
    if to_go_s <= 0:
        return Nights(0, 0, 0)
    mean = record.usual_s
    if record.nights < FEWEST_NIGHTS or mean is None or record.brought_nothing:
        return None
    spread, known = stdev(record.kept_s), record.nights
    t = student_t90(known - 1)

    def reached(n: int, side: float) -> bool:
        give_or_take = spread * sqrt(n + n * n / known)
        return n * mean + side * t * give_or_take >= to_go_s

    # A night cannot bring more than the best so far: fewer nights than that are no forecast.
    few = max(_first(reached, 1.0), ceil(to_go_s / max(record.kept_s)))
    likely = max(ceil(to_go_s / mean), few)
    many = _first(reached, -1.0)
    return Nights(likely, min(few, likely), max(many, likely) if many <= MOST_NIGHTS else None)


def _first(reached: Callable[[int, float], bool], side: float) -> int:
    return next((n for n in range(1, MOST_NIGHTS + 1) if reached(n, side)), MOST_NIGHTS + 1)


@dataclass(frozen=True, slots=True)
class Pace:
    """How often the sky allows a night, in the record."""

    clear_nights: int
    days: int

    @property
    def share(self) -> float | None:
        """Nights with frames over all nights between the first and the last."""
        return self.clear_nights / self.days if self.days else None


def span_words(need: Nights, pace: Pace) -> str:
    """Say a forecast in words: nights, and weeks at the person's pace."""
    most = "no end in sight" if need.many is None else str(need.many)
    range_ = str(need.likely) if need.few == need.many else f"{need.likely} ({need.few} to {most})"
    night = "night" if need.likely == 1 and need.many == 1 else "nights"
    if not pace.share or pace.clear_nights < FEWEST_NIGHTS:
        return f"{range_} {night}"
    weeks = ceil(need.likely / pace.share / 7)
    return f"{range_} {night}, about {plural(weeks, 'week')} at your pace"


def fewest_words(record: Yield, name: str) -> str:
    """Say plainly that there is too little to forecast from."""
    if record.nights == 0:
        return f"nothing was taken through {name} yet: no forecast"
    if record.brought_nothing:
        nights = plural(record.nights, "night")
        return f"{nights} through {name} brought nothing that was kept: no forecast"
    nights = plural(record.nights, "night")
    return f"only {nights} through {name}: too few for a forecast (it takes {FEWEST_NIGHTS})"


def pace_of(nights: Sequence[str], last_day: str | None = None) -> Pace:
    """Count nights with frames, and the days from the first of them to the last."""
    dated = sorted({n for n in nights if n})
    if not dated:
        return Pace(0, 0)
    end = max(dated[-1], last_day or "")
    days = (date.fromisoformat(end) - date.fromisoformat(dated[0])).days + 1
    return Pace(len(dated), days)
