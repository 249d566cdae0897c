"""When to focus again, by sweeps that found the focus."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from runlog.core.focus.found import FoundFocus
from runlog.core.focus.slope import Slope, SweepFocus, slope_of
from runlog.core.focus.sweep import RESET


@dataclass(frozen=True, slots=True)
class Advice:
    """After how many degrees to focus again; or why that is unknown."""

    each_c: float | None = None
    low: float | None = None
    high: float | None = None
    half_range: float | None = None  # steps
    reason: str | None = None


def refocusing(found: Sequence[FoundFocus], changes: Sequence[str]) -> tuple[Advice, Slope]:
    """Reckon from sweeps that found the focus after how many degrees to focus again."""
    slope = slope_of(in_epochs(found, changes))
    return advice_of(found, slope), slope


def in_epochs(found: Sequence[FoundFocus], changes: Sequence[str]) -> list[SweepFocus]:
    """Put each sweep into its epoch; `changes` are nights from which on the rig is another."""
    placed: list[SweepFocus] = []
    resets = 0
    for sweep in found:
        if placed and abs(sweep.best - placed[-1].best) > RESET * sweep.reach:
            resets += 1
        placed.append(
            SweepFocus(
                sweep.filter,
                resets + sum(night <= sweep.night for night in changes),
                sweep.best,
                sweep.best_err,
                sweep.best_95,
                sweep.temperature_c,
                sweep.temperature_from,
            )
        )
    return placed


def advice_of(found: Sequence[FoundFocus], slope: Slope) -> Advice:
    """Reckon after how many degrees the focus leaves the useful zone."""
    ranges = [sweep.half_range for sweep in found if sweep.half_range is not None]
    if not ranges:
        return Advice(reason="no sweep tells how wide the useful zone is")
    steps = median(ranges)
    if slope.per_c is None:
        return Advice(half_range=steps, reason="the slope over temperature is unknown")
    if not slope.shown or slope.low is None or slope.high is None:
        return Advice(
            half_range=steps, reason="the sweeps show no shift of the focus with temperature"
        )
    least, most = sorted((abs(slope.low), abs(slope.high)))
    return Advice(steps / abs(slope.per_c), steps / most, steps / least, steps)
