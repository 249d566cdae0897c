"""The sentences about a series."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

from runlog.core.columns import plural
from runlog.core.trends.statistics import Slope

if TYPE_CHECKING:
    from runlog.core.trends.points import Series
    from runlog.core.trends.series import Change, Noted

MOST_NAMED = 4
SEASON_OUT = "a yearly swing is taken out"
SEASON_IN = "over less than a year and a half a season looks the same"


def together(*parts: str) -> str:
    """Join what is not empty."""
    return "; ".join(part for part in parts if part)


def too_few(runs: int, left_out: Sequence[str]) -> str:
    """Say that nothing can be said."""
    have = f"{plural(runs, 'night')} tell it" if runs != 1 else "1 night tells it"
    why = f"only {have}, and a trend needs 12" if runs else "no night tells it"
    return together(f"unknown, because {why}", *left_out)


def few_nights(names: Sequence[str], most: int) -> str:
    """Say of kinds of series that have too few nights, all at once, that nothing can be said."""
    who = f"{len(names)} kinds of series" if len(names) > MOST_NAMED else ", ".join(names)
    told = f"at most {plural(most, 'night')} tell{'s' * (most == 1)}" if most else "no night tells"
    it = "it" if len(names) == 1 else "them"
    return f"{who}: {told} {it}, and a trend needs 12 (--json has the reason of each)"


def amount(series: "Series", value: float, signed: bool = True) -> str:
    """Write a number of a series with its unit."""
    kind = series.kind
    unit = unit_of(series)
    value = round(value, kind.digits) + 0.0  # no minus before nothing
    if unit == "share":
        return f"{100 * value:+.1f} %" if signed else f"{100 * value:.1f} %"
    text = f"{value:+.{kind.digits}f}" if signed else f"{value:.{kind.digits}f}"
    return f"{text} {unit.split(',')[0]}".strip()


def unit_of(series: "Series") -> str:
    """Name the unit in which a series is."""
    return series.kind.unit if series.unit is None else series.unit


def chance(p: float) -> str:
    """Write a p-value."""
    return "p < 0.001" if p < 0.001 else f"p {p:.3f}"


def changed(series: "Series", change: "Change", near: "Noted | None") -> str:
    """Say that there was a step, and what was noted about then."""
    size = amount(series, change.size)
    what = f"{size} between {change.last_before} and {change.night} ({chance(change.p_adjusted)})"
    if near is None:
        return f"{what}; nothing is noted of the rig within three nights of it"
    return f"{what}; after: {near.text} ({near.night})"


def perhaps(series: "Series", change: "Change") -> str:
    """Say that there may have been a step, and that many series make one of chance."""
    size = amount(series, change.size)
    return f"perhaps {size} from {change.night} on, but among so many series chance does that"


def moved(series: "Series", slope: Slope, p: float, steady: bool) -> str:
    """Say which way it goes, or that nothing is seen to go, and how closely that is known."""
    span = f"{amount(series, slope.low)} to {amount(series, slope.high)} a year"
    if steady:
        return f"no trend is seen; it may be {span}"
    return f"{amount(series, slope.middle)} a year ({span}, {chance(p)})"
