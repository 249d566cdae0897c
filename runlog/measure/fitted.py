"""The frame's PSF: stars fitted together, averaged, outliers left out."""

from dataclasses import dataclass, replace

import numpy as np

from runlog.core.robust import MAD_TO_SIGMA
from runlog.measure.candidates import Candidates
from runlog.measure.empirical import MeanResidual, mean_residual
from runlog.measure.pixels import F32, F64, I64, Mask
from runlog.measure.psf import Fits, Stamps, fit_moffats
from runlog.measure.residual import binned
from runlog.measure.shape import Ellipses, axis_ratio_of, ellipses_of, rates_of
from runlog.measure.stars import ring_level, stamps

FIT_WIDTH_PX = 3.2  # stars wider than twice this are binned before the fit
STAMP_WIDTHS = 1.3  # radius of a stamp in star widths
RING_WIDTHS = 3.0
STARLIKE_WITHIN = 0.2  # share of a star's energy a fit may leave: cosmic rays leave more
MODEL_FITS_WITHIN = 0.02  # the same for the typical star, when stars are Moffats
FEWEST_FOR_LOCUS = 12
STARS_LAID = 150  # on one another for the mean residual: more cost time and add little
ENOUGH_TO_SHOW = 30  # stars whose scatter tells the error of their mean to an eighth
MIXED_SPREAD = 0.12  # of log size: seeing, focus and tilt leave less, galaxies among stars more
FEW_SPREAD = 0.06  # of log size of few stars: beyond, they may be galaxies
LOCUS_WIDTH = 0.03  # of the crowd of stars, beyond their errors
LOCUS_SHARE = 0.6  # of the densest crowd's density: a crowd of smaller things is the stars'
OWN_SCATTER = 0.01  # of one star's log size or ellipticity, beyond its noise: blends, sampling
CLIPPED_AT = 4.0  # sigma
WORST_SIZE_ERROR = 0.15  # of the log width of one star
SURE_ERROR, SURE_STARS = 0.03, 25  # with that many surer ones, fainter stars say no more
NARROW_PX = 3.4  # below, what the fit leaves of a star hangs on where it lies on its pixels
LONGEST = 0.3  # axis ratio under which stars are trails, flat along their tops
BENT_WITHIN, EXPLAINED_WITHIN = 0.1, 0.015  # left by the fit, and by model and mean residual
ONE_OF_TWO = 0.2  # log width by which one of two things that look like stars may mislead


@dataclass(frozen=True)
class FittedStars:
    """Each fitted star that was kept."""

    x: F64
    y: F64
    log_scale: F64
    e1: F64
    e2: F64
    weight: F64


@dataclass(frozen=True)
class Fitted:
    """The frame's PSF from its fitted stars, in frame pixels."""

    log_scale: float  # of the geometric mean of the Moffat scales
    log_scale_err: float
    e1: float
    e2: float
    e_err: float
    beta: float
    alignment: float
    fits_model: bool
    alike: int  # stars that are alike
    others: int  # things as surely measured that are not like them
    spread: float  # robust scatter of log size among all that were kept
    stars: FittedStars
    residual: MeanResidual

    @property
    def doubt(self) -> float:
        """
        Log width by which the choice of stars may mislead, beyond their scatter.

        Two things alike may be galaxies or flaws, ten are stars; the more others there are,
        the likelier some are alike by chance.
        """
        crowd = 1 + self.others / max(self.alike, 1)
        few = float(ONE_OF_TWO * crowd / max(self.alike - 1, 0.5) ** 1.5)
        mixed = self.alike < FEWEST_FOR_LOCUS and self.spread > FEW_SPREAD
        return max(few, 1.5 * self.spread) if mixed else few


def fit_stars(candidates: Candidates, chosen: I64) -> Fitted | None:
    """
    Fit Moffats to the chosen peaks on pixels of about a third of the star's width.

    Parameters
    ----------
    candidates : Candidates
        The frame's peaks.
    chosen : ndarray of int, shape (n,)
        Which of them to fit, by index.

    Returns
    -------
    Fitted or None
        The stars and their mean, in frame px; None where no fit is believable.
    """
    width = candidates.width_px
    block = max(1, int(width / FIT_WIDTH_PX))
    light = binned(candidates.residual.light, block)
    where = (candidates.positions[chosen] - (block - 1) / 2) / block
    x, y = np.rint(where[:, 0]).astype(np.int64), np.rint(where[:, 1]).astype(np.int64)
    noise = candidates.noise()[chosen] / candidates.factor * block
    cutouts = cut_out(light, x, y, width / block, noise)
    if block == 1:
        cutouts = honest_pixels(cutouts, candidates, x, y)
    fits = fit_moffats(cutouts, width / block)
    return combine(fits, cutouts, width / block, block, x, y)


def cut_out(light: F32, x: I64, y: I64, width_px: float, noise: F64) -> Stamps:
    """
    Round stamps about whole-pixel positions, with the light of a ring around each.

    All in units of the typical noise: the fit sees the same numbers whatever a frame's are.
    """
    radius = int(np.ceil(STAMP_WIDTHS * width_px)) + 1
    cut = stamps(light, y, x, radius).reshape(len(x), -1)
    axis = np.arange(-radius, radius + 1, dtype=np.float32)
    dy, dx = (part.ravel() for part in np.meshgrid(axis, axis, indexing="ij"))
    used = np.hypot(dx, dy) <= radius + 0.5
    ring = RING_WIDTHS * width_px
    around = ring_level(light, y, x, ring)
    unit = float(np.median(noise)) or 1.0
    return Stamps(
        np.asarray(cut[:, used] / unit, np.float32), np.ones((len(x), int(used.sum())), np.float32),
        dx[used], dy[used], noise / unit, around / unit, ring,
    )  # fmt: skip


def honest_pixels(cutouts: Stamps, candidates: Candidates, x: I64, y: I64) -> Stamps:
    """Leave out red and blue pixels of a mosaic and pixels without a value: none is invented."""
    bad = candidates.residual.bad
    if candidates.plane.bayer is None and bad is None:
        return cutouts
    rows = y[:, None] + cutouts.dy.astype(np.int64)
    columns = x[:, None] + cutouts.dx.astype(np.int64)
    weights = candidates.plane.green_weights(rows, columns)
    if bad is not None:
        height, width = bad.shape
        weights *= ~bad[np.clip(rows, 0, height - 1), np.clip(columns, 0, width - 1)]
    return replace(cutouts, weights=weights)


def combine(
    fits: Fits, cutouts: Stamps, width_px: float, block: int, x: I64, y: I64
) -> Fitted | None:
    """Average the fitted stars' sizes and ellipticity components, outliers left out."""
    ellipses = ellipses_of(fits.params, fits.covariance)
    keep = fits.good & (ellipses.covariance[:, 0, 0] < WORST_SIZE_ERROR**2)
    starlike = keep & (fits.left_over < STARLIKE_WITHIN)
    keep = starlike if starlike.any() else keep
    if not keep.any():
        return None
    measured = keep
    keep = inliers(ellipses, keep, x * block, y * block)
    best = surest(ellipses, keep)
    size, size_err, _ = robust_mean(ellipses.log_scale[best], ellipses.covariance[best, 0, 0])
    e1, e1_err, weight = robust_mean(
        ellipses.e1[best], ellipses.covariance[best, 1, 1], enough=ENOUGH_TO_SHOW
    )
    e2, e2_err, _ = robust_mean(
        ellipses.e2[best], ellipses.covariance[best, 2, 2], enough=ENOUGH_TO_SHOW
    )
    lengths = np.hypot(ellipses.e1[best], ellipses.e2[best])
    mean_length = max(float(np.average(lengths, weights=weight)), 1e-9)
    # from half widths in fit pixels to Moffat scales in frame pixels
    shift = float(np.log(block) - 0.5 * np.log(2 ** (1 / fits.beta) - 1))
    level = without_field(ellipses.log_scale, keep, x * block, y * block)
    spread = scatter(level[keep])
    residual = mean_residual(
        cutouts, fits, surest_of(ellipses, best, STARS_LAID), rates_of(size, e1, e2),
        ellipses.log_scale - size, block, width_px,
    )  # fmt: skip
    return Fitted(
        size + shift,
        size_err,
        e1,
        e2,
        float(np.hypot(e1_err, e2_err) / np.sqrt(2)),
        fits.beta,
        min(1.0, float(np.hypot(e1, e2)) / mean_length),
        axis_ratio_of(e1, e2) > LONGEST
        and explained(float(np.median(fits.left_over[keep])), residual.left_over, width_px * block),
        int(np.count_nonzero(keep)),
        int(np.count_nonzero(measured & ~keep)),
        spread,
        stars_of(fits, ellipses, keep, block, shift, x, y),
        residual,
    )


def scatter(values: F64) -> float:
    """Robust standard deviation."""
    return MAD_TO_SIGMA * float(np.median(np.abs(values - np.median(values))))


def explained(left_over: float, with_residual: float, width_px: float) -> bool:
    """
    Whether the stars are Moffats, or narrow and like the Moffat with its mean residual.

    Pictures laid on one another by whole pixels say little about narrow stars; rings and long
    trails are wider.
    """
    bent = left_over < BENT_WITHIN and with_residual < EXPLAINED_WITHIN
    return left_over < MODEL_FITS_WITHIN or (width_px < NARROW_PX and bent)


def surest(ellipses: Ellipses, keep: Mask) -> Mask:
    """
    Leave out faint stars where enough bright ones are kept.

    What the sky's slopes and faint neighbours do to a star grows with its error, and alike on
    all of them: no number of faint stars averages it out.
    """
    error = np.sqrt(np.where(keep, ellipses.covariance[:, 0, 0], np.inf))
    enough = np.sort(error[keep])[:SURE_STARS][-1]
    return np.asarray(keep & (error <= max(SURE_ERROR, float(enough))))


def surest_of(ellipses: Ellipses, keep: Mask, most: int) -> Mask:
    """Keep at most so many stars, those of the surest size."""
    error = np.where(keep, ellipses.covariance[:, 0, 0], np.inf)
    chosen = np.zeros(len(keep), bool)
    chosen[np.argsort(error, kind="stable")[:most]] = True
    return chosen & keep


def stars_of(
    fits: Fits, ellipses: Ellipses, keep: Mask, block: int, shift: float, x: I64, y: I64
) -> FittedStars:
    """The kept stars in frame pixels, weighted as their ellipticities are."""
    _, _, weight = robust_mean(ellipses.e1[keep], ellipses.covariance[keep, 1, 1])
    return FittedStars(
        (x[keep] + fits.params[keep, 0]) * block + (block - 1) / 2,
        (y[keep] + fits.params[keep, 1]) * block + (block - 1) / 2,
        ellipses.log_scale[keep] + shift,
        ellipses.e1[keep],
        ellipses.e2[keep],
        weight,
    )


def inliers(ellipses: Ellipses, keep: Mask, x: I64, y: I64) -> Mask:
    """Drop stars whose size or shape is far from the others' (galaxies, doubles, strays)."""
    keep = star_locus(ellipses.log_scale, ellipses.covariance[:, 0, 0], keep, x, y)
    for values in (ellipses.log_scale, ellipses.e1, ellipses.e2):
        middle = np.median(values[keep])
        spread = MAD_TO_SIGMA * np.median(np.abs(values[keep] - middle))
        keep = keep & (np.abs(values - middle) <= 4 * max(float(spread), 0.01))
    return keep


def without_field(log_size: F64, keep: Mask, x: I64, y: I64) -> F64:
    """Sizes less what tilt and curvature of the field make of them (a plane and r^2)."""
    if np.count_nonzero(keep) < FEWEST_FOR_LOCUS:
        return log_size
    u, v = (part - part[keep].mean() for part in (x.astype(float), y.astype(float)))
    design = np.column_stack([np.ones(len(u)), u, v, u**2 + v**2])
    design /= np.maximum(np.abs(design).max(axis=0), 1e-9)
    good, solution = keep, np.zeros(4)
    for _ in range(3):
        solution = np.linalg.lstsq(design[good], log_size[good], rcond=None)[0]
        off = np.abs(log_size - design @ solution)
        good = keep & (off <= 2.5 * MAD_TO_SIGMA * np.median(off[good]) + 1e-9)
    return np.asarray(log_size - design @ solution + np.median(log_size[keep]))


def star_locus(log_size: F64, variance: F64, keep: Mask, x: I64, y: I64) -> Mask:
    """
    Keep the sizes that crowd together where sizes differ widely: the stars among galaxies.

    Stars of a frame are alike, galaxies and knots of nebula are not, and none of these is
    smaller than a star: of the dense sizes the smallest is the stars'. Frames whose sizes
    agree, once tilt and curvature of the field are taken out, are left as they are.
    """
    level = without_field(log_size, keep, x, y)
    spread = scatter(level[keep])
    if np.count_nonzero(keep) < FEWEST_FOR_LOCUS or spread < MIXED_SPREAD:
        return keep
    # a field fitted to stars and galaxies together may be none: the denser crowd tells
    (mode, density), flat = (
        densest(level[keep], variance[keep]),
        densest(log_size[keep], variance[keep]),
    )
    if flat[1] > density:
        level, mode = log_size, flat[0]
    near = np.abs(level[keep] - mode) < 0.25
    own = MAD_TO_SIGMA * float(np.median(np.abs(level[keep][near] - mode)))
    reach = np.minimum(2.5 * np.hypot(np.sqrt(variance), max(min(own, 0.1), 0.04)), 0.3)
    return np.asarray(keep & (np.abs(level - mode) < reach))


def densest(sizes: F64, variance: F64) -> tuple[float, float]:
    """Log size about which stars crowd, and how densely they do."""
    wide = np.hypot(np.sqrt(variance), LOCUS_WIDTH)
    density = np.exp(-0.5 * ((sizes[:, None] - sizes[None]) / wide) ** 2) @ (1 / wide)
    first = float(np.min(sizes[density > LOCUS_SHARE * density.max()]))
    near = np.where(np.abs(sizes - first) < 2 * LOCUS_WIDTH, density, 0)
    return float(sizes[np.argmax(near)]), float(near.max())


def robust_mean(values: F64, variance: F64, enough: float = np.inf) -> tuple[float, float, F64]:
    """
    Weighted mean of the stars' values, its error, and the weights.

    Each star's variance is its fit error plus the scatter stars have of their own, one percent
    at least, so that no single bright star rules; stars four sigma off weigh nothing. From
    `enough` stars on the error is what their scatter shows, also where that is less.
    """
    middle = np.median(values)
    spread = (MAD_TO_SIGMA * np.median(np.abs(values - middle))) ** 2
    own = max(OWN_SCATTER**2, float(spread - np.median(variance)))
    weight = 1 / (variance + own)
    mean = float(np.average(values, weights=weight))
    sigma = np.sqrt(variance + own)
    for centre in (float(middle), mean):
        near = np.abs(values - centre) < CLIPPED_AT * sigma
        if near.any():
            weight = near / sigma**2
            mean = float(np.average(values, weights=weight))
    count = int(np.count_nonzero(weight))
    formal = float(1 / np.sum(weight))
    if count >= 8:
        seen = np.sum(weight**2 * (values - mean) ** 2) / np.sum(weight) ** 2 * count / (count - 1)
        formal = float(seen) if count >= enough else max(formal, float(seen))
    return mean, float(np.sqrt(formal)), weight
