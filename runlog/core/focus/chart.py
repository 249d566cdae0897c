"""A sweep as a chart: its V, the fit, the minimum, and where the night's frames were taken."""

from collections.abc import Sequence

import numpy as np

from runlog.core.charts import Plot, axis_of, ticks_between
from runlog.core.focus.judge import Result

NAME = "half-flux radius in px over focuser position"
PAD = 0.02  # of the swept range, on each side
CURVE = 61  # points of the fit


def sweep_chart(result: Result, frames: Sequence[float] = ()) -> Plot | None:
    """Lay out what was measured, and the fit where it tells the focus; None where nothing was."""
    dots = [(p.position, p.hfr_px) for p in result.sweep.used if p.hfr_px is not None]
    if not dots:
        return None
    low, high = min(x for x, _ in dots), max(x for x, _ in dots)
    pad = PAD * (high - low) or 1.0
    fit = result.fit if result.good else None
    curve: tuple[tuple[float, float], ...] = ()
    if fit is not None:
        at = np.linspace(low, high, CURVE)
        curve = tuple(zip(at.tolist(), fit.at(at).tolist(), strict=True))
    values = [0.0, *(y for _, y in (*dots, *curve))]
    return Plot(
        NAME,
        (low - pad, high + pad),
        ticks_between(low, high),
        axis_of(values, may_cut=False),
        tuple(dots),
        (curve,) if curve else (),
        ((fit.best, f"{fit.best:.0f}"),) if fit is not None else (),
        tuple(place for place in frames if low - pad <= place <= high + pad),
    )
