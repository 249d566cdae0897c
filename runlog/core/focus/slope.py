"""How the focus moves with temperature, and how the filters lie apart, by sweeps alone."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import hypot, sqrt
from statistics import stdev

from runlog.core.columns import plural
from runlog.core.student import student_t95
from runlog.core.theil_sen import middle_slope, variance_of_sum

FEWEST_SWEEPS = 6
FEWEST_C = 4.0  # between the coldest and the warmest of a filter's sweeps
ALIKE_C = 0.5  # sweeps so near in temperature compare without a slope


@dataclass(frozen=True, slots=True)
class SweepFocus:
    """Where one sweep found the focus; sweeps compare within an epoch alone."""

    filter: str
    epoch: int  # rises where the rig was changed or the counter set anew
    best: float
    best_err: float
    best_95: float
    temperature_c: float | None
    temperature_from: str | None


@dataclass(frozen=True, slots=True)
class Slope:
    """Steps a degree with its 95 % interval; or why that is unknown."""

    per_c: float | None = None
    low: float | None = None
    high: float | None = None
    sweeps: int = 0
    span_c: float = 0.0
    temperature_from: str | None = None
    reason: str | None = None

    @property
    def shown(self) -> bool:
        """Tell whether the focus moves with temperature beyond doubt."""
        return self.low is not None and self.high is not None and self.low * self.high > 0


@dataclass(frozen=True, slots=True)
class Offset:
    """How far a filter's focus lies from another's; positive is at higher positions."""

    filter: str
    against: str
    steps: float | None = None
    err_95: float | None = None
    sweeps: int = 0
    source: str = "sweeps"
    reason: str | None = None


def slope_of(found: Sequence[SweepFocus]) -> Slope:
    """Find the slope over temperature by Theil and Sen, within filter and epoch.

    Sen 1968 (JASA 63, 1379): the median of the slopes of all pairs, its interval by the variance of
    Kendall's S, here of the sum over the groups; ties take off theirs.
    """
    source = _thermometer(found)
    told = [f for f in found if f.temperature_from == source and f.temperature_c is not None]
    if not told:
        return Slope(reason="no sweep that tells a focus tells a temperature")
    groups = _groups(told)
    slopes = sorted(slope for group in groups.values() for slope in _slopes(group))
    compared = [f for group in groups.values() if len(group) > 1 for f in group]
    span = max((_span(group) for group in groups.values()), default=0.0)
    if len(compared) < FEWEST_SWEEPS or span < FEWEST_C or not slopes:
        reason = _too_little(compared or told, span, slopes)
        return Slope(None, None, None, len(compared), span, source, reason)
    middle, low, high = middle_slope(slopes, sum(map(_variance, groups.values())))
    return Slope(middle, low, high, len(compared), span, source)


def _thermometer(found: Sequence[SweepFocus]) -> str | None:
    """Choose the thermometer that most sweeps go by: two do not compare."""
    counts: dict[str, int] = defaultdict(int)
    for one in found:
        if one.temperature_from:
            counts[one.temperature_from] += 1
    return max(sorted(counts, reverse=True), key=lambda name: counts[name]) if counts else None


def _groups(found: Sequence[SweepFocus]) -> Mapping[tuple[str, int], list[SweepFocus]]:
    groups: dict[tuple[str, int], list[SweepFocus]] = defaultdict(list)
    for one in found:
        groups[one.filter, one.epoch].append(one)
    return groups


def _slopes(group: Sequence[SweepFocus]) -> list[float]:
    pairs = combinations([(_c(f), f.best) for f in group], 2)
    return [(y2 - y1) / (x2 - x1) for (x1, y1), (x2, y2) in pairs if x2 != x1]


def _c(found: SweepFocus) -> float:
    assert found.temperature_c is not None
    return found.temperature_c


def _span(group: Sequence[SweepFocus]) -> float:
    values = [_c(f) for f in group]
    return max(values) - min(values)


def _too_little(found: Sequence[SweepFocus], span: float, slopes: Sequence[float]) -> str:
    need = f"it takes {FEWEST_SWEEPS} of a filter or more over {FEWEST_C:g} C"
    if not slopes:
        return (
            f"{plural(len(found), 'sweep')} of different filters, setups or at one temperature "
            f"show no slope: {need}"
        )
    middle = slopes[len(slopes) // 2]
    said = f"{plural(len(found), 'sweep')} over {span:.1f} C: {need}"
    if len(slopes) == 1:
        return f"{said}. The two give {middle:+.1f} steps a degree, error unknown"
    return said


def _variance(group: Sequence[SweepFocus]) -> float:
    ties = [*_counts([_c(f) for f in group]), *_counts([f.best for f in group])]
    return variance_of_sum(len(group), ties)


def _counts(values: Sequence[float]) -> list[int]:
    return [values.count(v) for v in set(values)]


# --- filters --------------------------------------------------------------------------------


def offsets_of(found: Sequence[SweepFocus], slope: Slope) -> list[Offset]:
    """Find each filter's offset from the one with most sweeps, as far as sweeps tell it."""
    filters = sorted({f.filter for f in found})
    if len(filters) < 2:
        return []
    main = max(filters, key=lambda name: (sum(f.filter == name for f in found), name == "L"))
    return [_offset(found, name, main, slope) for name in filters if name != main]


def _offset(found: Sequence[SweepFocus], name: str, main: str, slope: Slope) -> Offset:
    pairs = [
        (a, b) for a in found if a.filter == name for b in found
        if b.filter == main and a.epoch == b.epoch
    ]  # fmt: skip
    if not pairs:
        return Offset(name, main, reason="their sweeps are of different setups of the rig")
    near = [p for p in pairs if (apart := _apart(*p)) is not None and abs(apart) <= ALIKE_C]
    used = near or [p for p in pairs if slope.per_c is not None and _apart(*p) is not None]
    if not used:
        return Offset(name, main, reason=_not_comparable(pairs))
    values = [a.best - b.best - (slope.per_c or 0.0) * (_apart(a, b) or 0.0) for a, b in used]
    weights = [1 / (a.best_95**2 + b.best_95**2) for a, b in used]
    steps = sum(w * v for w, v in zip(weights, values, strict=True)) / sum(weights)
    count = min(len({id(a) for a, _ in used}), len({id(b) for _, b in used}))
    error = _offset_error(used, values, count, slope)
    reason = "one sweep each: how well sweeps repeat is not known" if count == 1 else None
    return Offset(name, main, steps, error, 2 * count, reason=reason)


def _apart(a: SweepFocus, b: SweepFocus) -> float | None:
    if a.temperature_from != b.temperature_from or a.temperature_c is None:
        return None
    return None if b.temperature_c is None else a.temperature_c - b.temperature_c


def _not_comparable(pairs: Sequence[tuple[SweepFocus, SweepFocus]]) -> str:
    apart = [abs(c) for pair in pairs if (c := _apart(*pair)) is not None]
    if not apart:
        return "their sweeps tell no temperature by one thermometer"
    return (
        f"their sweeps lie {min(apart):.1f} C apart or more, and the slope over temperature is "
        "unknown"
    )


def _offset_error(
    used: Sequence[tuple[SweepFocus, SweepFocus]], values: Sequence[float], count: int, slope: Slope
) -> float:
    """Give half of the 95 % interval: the sweeps' own error, or their scatter where it is more."""
    own = min(hypot(a.best_95, b.best_95) for a, b in used)
    scatter = student_t95(count - 1) * stdev(values) / sqrt(count) if count > 1 else 0.0
    slopes = 0.0 if slope.low is None or slope.high is None else (slope.high - slope.low) / 2
    mean_apart = sum(_apart(a, b) or 0.0 for a, b in used) / len(used)
    return hypot(max(own if count == 1 else own / sqrt(count), scatter), slopes * mean_apart)
