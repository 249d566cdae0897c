"""The scale of a frame whose brightest things are few: the one at which most are alike."""

import numpy as np

from runlog.measure.background import Sky
from runlog.measure.candidates import find_candidates
from runlog.measure.fitted import Fitted, fit_stars
from runlog.measure.pixels import Plane
from runlog.measure.residual import Residual
from runlog.measure.scale import Scale

SURE_STARS = 12  # a scale seen on as many is not doubted
NARROWEST_TRIED_PX, STEP = 2.2, 2.0  # widths that are tried, each this many times the last
NARROWER = 1.4  # times, at least
FEWEST_ALIKE = 5
TIGHT = 0.1  # scatter of log size among stars; knots and galaxies scatter more
NEAR = 1.6  # times the width that was tried: farther off the stamps were too small or large
MORE = 1.5  # times as many as at the scale that was seen


def settled_width(plane: Plane, sky: Sky, residual: Residual, scale: Scale) -> float:
    """
    Rough width of the frame's stars, narrower ones tried where the scale rests on few things.

    A galaxy over the whole frame, knots of nebula, flaws are brighter than the stars among
    them and of all sizes. Stars are alike, so the width is taken at which most things are.

    Parameters
    ----------
    plane, sky, residual : Plane, Sky, Residual
        The frame, its sky and the difference, ADU.
    scale : Scale
        What was seen at first.

    Returns
    -------
    float
        Full width of a star, px.
    """
    if scale.stars >= SURE_STARS:
        return scale.width_px
    found = {width: alike_at(plane, sky, residual, width) for width in widths_of(scale.width_px)}
    best = max(found, key=lambda width: found[width])
    enough = max(FEWEST_ALIKE, MORE * found[scale.width_px])
    return best if found[best] >= enough else scale.width_px


def widths_of(seen_px: float) -> list[float]:
    """The width that was seen, and narrower ones."""
    widths, width = [seen_px], NARROWEST_TRIED_PX
    while width * NARROWER < seen_px:
        widths.append(width)
        width *= STEP
    return widths


def alike_at(plane: Plane, sky: Sky, residual: Residual, width_px: float) -> int:
    """How many stars alike, and of about this width, are found when they are looked for."""
    candidates = find_candidates(plane, sky, residual, width_px)
    chosen = candidates.choose()
    fitted = fit_stars(candidates, chosen) if len(chosen) else None
    if fitted is None or not fitted.fits_model or fitted.spread > TIGHT:
        return 0
    times = width_of(fitted) / width_px
    return fitted.alike if 1 / NEAR < times < NEAR else 0


def width_of(fitted: Fitted) -> float:
    """Full width at half maximum of the fitted Moffat, before the pixel."""
    return float(2 * np.exp(fitted.log_scale) * np.sqrt(2 ** (1 / fitted.beta) - 1))
