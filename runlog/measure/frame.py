"""Measure one light frame: pixels in, numbers out, nothing made up."""

from dataclasses import dataclass, replace

import numpy as np

from runlog.core.frame import Field, Measurement, StarList
from runlog.measure.background import Sky, measure_sky
from runlog.measure.empirical import MeanResidual, corrected_shape, mean_residual
from runlog.measure.field import measure_field
from runlog.measure.modelfree import recentred, shape_with_errors
from runlog.measure.pixels import Array, F32, F64, I64, Mask, Plane, as_plane, find_ceiling
from runlog.measure.psf import Fits, Stamps, fit_moffats
from runlog.measure.residual import Residual, binned, subtract_sky
from runlog.measure.scale import Scale, find_scale, looks_like_point
from runlog.measure.screen import screen, templates_of
from runlog.measure.shape import (
    Ellipses,
    angle_of,
    axis_ratio_of,
    eccentricity_of,
    ellipses_of,
    half_flux_radius_of_moffat,
    scale_matrix,
)
from runlog.measure.streaks import find_streaks
from runlog.measure.stars import Peaks, find_peaks, ring_level, stamps, thin_out

MOST_FITTED = 250
FEWEST_FITTED = 1
LISTED_STARS = 200
STARLIKE_WITHIN = 0.2  # the same for one star: cosmic rays, blends and rings leave more
MODEL_FITS_WITHIN = 0.02  # share of the mean star's energy a good Moffat leaves over


def measure_frame(
    pixels: Array, *, bayer: str | None = None, saturation_adu: float | None = None
) -> Measurement:
    """
    Measure everything a light frame's pixels can say.

    Never raises on bad content: what cannot be told is None and `notes` say why.

    Parameters
    ----------
    pixels : ndarray, shape (h, w) or (3, h, w)
        Mono frame, Bayer mosaic or colour planes, any integer or float type, in ADU.
    bayer : str, optional
        RGGB, BGGR, GRBG or GBRG, from the first row of the array; None for mono and colour.
    saturation_adu : float, optional
        Level at which a pixel is full; found from the data when not given.

    Returns
    -------
    Measurement
    """
    plane = as_plane(np.asarray(pixels), bayer)
    if plane is None:
        return Measurement(notes=("no two-dimensional picture in the array",))
    sky = measure_sky(plane)
    if sky is None:
        return Measurement(notes=("no finite pixel in the frame",))
    base = Measurement(
        background_adu=sky.median_adu, noise_adu=sky.noise_adu, gradient_adu=sky.gradient_adu
    )
    ceiling = find_ceiling(plane, saturation_adu)
    if min(plane.height, plane.width) < 16:
        return replace(base, notes=("frame too small to look for stars",))
    if sky.noise_adu <= 0:
        return replace(base, notes=("frame is uniform: no noise, no stars to tell from it",))
    if ceiling is not None and sky.median_adu >= 0.98 * ceiling:
        return replace(base, notes=("frame is saturated",))
    residual = subtract_sky(plane, sky, ceiling)
    return measure_stars(plane, sky, residual, base)


def measure_stars(plane: Plane, sky: Sky, residual: Residual, base: Measurement) -> Measurement:
    """Find the frame's stars and measure them."""
    base = replace(base, streaks=find_streaks(residual.light))
    notes = []
    if residual.not_finite:
        notes.append(f"{residual.not_finite} pixels are not finite")
    headroom = None if residual.ceiling_adu is None else residual.ceiling_adu - sky.median_adu
    scale = find_scale(residual.light, headroom)
    if scale is None:
        return replace(base, notes=(*notes, "no stars found"))
    factor = detection_bin(scale)
    image = binned(residual.light, factor)
    peaks = find_peaks(image)
    near = peaks_inside(image, peaks, 3)
    peaks = thin_out(peaks.pick(near), max(2.0, scale.width_px / factor))
    if len(peaks) == 0:
        return replace(base, notes=(*notes, "no stars found"))
    frame = Frame(plane, sky, residual, scale, factor, image, peaks)
    return frame.measure(base, notes)


def detection_bin(scale: Scale) -> int:
    """Block size that brings a star to between 2 and 4 detection pixels."""
    factor = 1
    while scale.width_px / factor > 3.4 and factor < 32:
        factor *= 2
    return factor


def peaks_inside(image: F32, peaks: Peaks, margin: int) -> Mask:
    return np.asarray(
        (peaks.y >= margin) & (peaks.y < image.shape[0] - margin)
        & (peaks.x >= margin) & (peaks.x < image.shape[1] - margin)
    )  # fmt: skip


@dataclass(frozen=True)
class Frame:
    """A sky-subtracted frame with its peaks, on the way to a measurement."""

    plane: Plane
    sky: Sky
    residual: Residual
    scale: Scale
    factor: int
    image: F32
    peaks: Peaks

    def measure(self, base: Measurement, notes: list[str]) -> Measurement:
        cut = stamps(self.image, self.peaks.y, self.peaks.x, 2)
        chosen = self.choose(~looks_like_point(cut))
        fitted = self.fit(chosen) if len(chosen) >= 1 else None
        if fitted is not None and fitted.fits_model and fitted.count >= FEWEST_FITTED:
            return self.from_model(base, notes, cut, fitted)
        return self.from_pictures(base, notes, cut, chosen)

    def noise(self) -> F64:
        """Noise of one detection pixel at each peak."""
        here = self.sky.noise_at(
            self.peaks.y.astype(float) * self.factor, self.peaks.x.astype(float) * self.factor
        )
        return np.asarray(here * self.factor)

    def full(self, radius_px: float) -> Mask:
        """Which peaks have a full pixel within a radius."""
        from scipy.spatial import cKDTree

        if len(self.residual.full_y) == 0:
            return np.zeros(len(self.peaks), bool)
        where = self.positions()
        tree = cKDTree(np.column_stack([self.residual.full_x, self.residual.full_y]))
        distance, _ = tree.query(where, distance_upper_bound=radius_px)
        return np.asarray(np.isfinite(distance))

    def positions(self) -> F64:
        """Peaks in frame pixels, (x, y)."""
        middle = (self.factor - 1) / 2
        return np.column_stack(
            [self.peaks.x * self.factor + middle, self.peaks.y * self.factor + middle]
        )

    def choose(self, starlike: Mask) -> I64:
        """Brightest star-like peaks that are neither full, nor blended, nor at the edge."""
        from scipy.spatial import cKDTree

        where = self.positions()
        width = self.scale.width_px
        alone = np.ones(len(where), bool)
        pairs = cKDTree(where).query_pairs(2.5 * width + 2, output_type="ndarray")
        if len(pairs):
            height = self.peaks.height
            first, second = pairs[:, 0], pairs[:, 1]
            alone[first[height[second] > 0.1 * height[first]]] = False
            alone[second[height[first] > 0.1 * height[second]]] = False
        margin = 1.5 * width + 3
        inside = (
            (where[:, 0] > margin) & (where[:, 0] < self.plane.width - margin)
            & (where[:, 1] > margin) & (where[:, 1] < self.plane.height - margin)
        )  # fmt: skip
        usable = starlike & inside & ~self.full(1.5 * width + 2)
        best = np.flatnonzero(usable & alone)
        if len(best) < 10:
            best = np.flatnonzero(usable)
        return best[:MOST_FITTED]

    def fit(self, chosen: I64) -> "Fitted | None":
        """Fit Moffats to the chosen peaks on pixels of a third of the star's width."""
        block = max(1, int(self.scale.width_px / 3.2))
        light = binned(self.residual.light, block)
        where = (self.positions()[chosen] - (block - 1) / 2) / block
        x, y = np.rint(where[:, 0]).astype(np.int64), np.rint(where[:, 1]).astype(np.int64)
        width = self.scale.width_px / block
        radius = int(np.ceil(1.3 * width)) + 1
        cut = stamps(light, y, x, radius).reshape(len(chosen), -1).astype(float)
        axis = np.arange(-radius, radius + 1.0)
        dy, dx = (part.ravel() for part in np.meshgrid(axis, axis, indexing="ij"))
        round_ = (np.hypot(dx, dy) <= radius + 0.5).astype(float)
        weights = round_[None, :] * np.ones((len(chosen), 1))
        if block == 1 and self.plane.bayer is not None:
            rows = y[:, None] + dy.astype(int)
            weights = weights * self.plane.green_weights(rows, x[:, None] + dx.astype(int))
        noise = self.noise()[chosen] / self.factor * block
        ring = 3 * width
        around = ring_level(light, y, x, ring)
        cutouts = Stamps(cut, weights, dx, dy, noise, around, ring)
        return combine(fit_moffats(cutouts, width), cutouts, width, block, x, y)

    def from_model(
        self, base: Measurement, notes: list[str], cut: F32, fitted: "Fitted"
    ) -> Measurement:
        """Numbers of a frame whose stars are Moffats."""
        matrix = scale_matrix(fitted.log_scale, fitted.e1, fitted.e2)
        templates = templates_of(matrix, fitted.beta, self.factor)
        shape = corrected_shape(matrix, fitted.beta, fitted.residual)
        hfr = half_flux_radius_of_moffat(matrix, fitted.beta)
        e_err = float(np.hypot(fitted.e_err, shape.ellipticity_doubt))
        full = self.full(max(2.0, shape.fwhm_px))
        stars = screen(cut, self.noise(), templates) | (full & ~looks_like_point(cut))
        length = float(np.hypot(shape.e1, shape.e2))
        honest = np.sqrt(max(0.0, length**2 - 2 * fitted.e_err**2))
        axis_ratio = axis_ratio_of(honest, 0.0)
        eccentricity = eccentricity_of(axis_ratio)
        return replace(
            base,
            stars=int(np.count_nonzero(stars)),
            fwhm_px=shape.fwhm_px,
            fwhm_px_err=shape.fwhm_px * float(np.hypot(fitted.log_scale_err, shape.width_doubt)),
            axis_ratio=axis_ratio,
            eccentricity=eccentricity,
            eccentricity_err=eccentricity_error(honest, e_err),
            elongation_deg=angle_of(shape.e1, shape.e2),
            alignment=fitted.alignment,
            hfr_px=hfr,
            clipped_stars=int(np.count_nonzero(full & stars)),
            field=self.field(fitted, shape.fwhm_px, stars),
            beta=fitted.beta,
            width_from="moffat",
            star_list=self.star_list(stars, hfr),
            notes=tuple(notes),
        )

    def field(self, fitted: "Fitted", fwhm_px: float, stars: Mask) -> Field:
        """Zones and planes from the fitted stars, their widths tied to the frame's."""
        widths = fwhm_px * np.exp(fitted.log_scales - fitted.log_scale)
        seen = self.positions()[stars]
        return measure_field(
            fitted.x, fitted.y, widths, fitted.e1s, fitted.e2s, fitted.weight,
            seen[:, 0], seen[:, 1], self.plane.width, self.plane.height,
        )  # fmt: skip

    def star_list(self, stars: Mask, hfr_px: float) -> StarList:
        """Aperture fluxes and positions of the brightest stars."""
        candidates = np.flatnonzero(stars)[: 2 * LISTED_STARS]
        radius = max(2, int(np.ceil(2.2 * hfr_px)))
        where = self.positions()[candidates]
        y, x = np.rint(where[:, 1]).astype(np.int64), np.rint(where[:, 0]).astype(np.int64)
        cut = stamps(self.residual.light, y, x, radius).astype(float)
        axis = np.arange(-radius, radius + 1)
        inside = np.hypot(axis[:, None], axis) <= radius + 0.3
        light = np.maximum(cut, 0) * inside
        total = np.maximum(light.sum(axis=(1, 2)), 1e-9)
        flux = (cut * inside).sum(axis=(1, 2))
        cx = x + light.sum(axis=1) @ axis / total
        cy = y + light.sum(axis=2) @ axis / total
        order = np.argsort(-flux, kind="stable")[:LISTED_STARS]
        order = order[flux[order] > 0]
        return StarList(
            tuple(np.round(cx[order], 3).tolist()),
            tuple(np.round(cy[order], 3).tolist()),
            tuple(np.round(flux[order], 2).tolist()),
        )

    def from_pictures(
        self, base: Measurement, notes: list[str], cut: F32, chosen: I64
    ) -> Measurement:
        """Numbers of a frame whose stars are rings, trails, or too few for a model."""
        strong = chosen[self.peaks.height[chosen] > 8 * self.peaks.noise][:120]
        stars = ~looks_like_point(cut)
        if len(strong) == 0:
            return replace(
                base,
                stars=int(np.count_nonzero(stars)),
                star_list=self.star_list(stars, self.scale.hfr_px),
                notes=(*notes, "too few stars to measure a width"),
            )
        where = np.rint(self.positions()[strong]).astype(np.int64)
        radius = int(np.ceil(3 * self.scale.hfr_px)) + 2
        y, x = recentred(self.residual.light, where[:, 1], where[:, 0], max(2, radius * 2 // 3))
        shape, error, _ = shape_with_errors(self.residual.light, y, x, radius)
        full = self.full(max(2.0, shape.fwhm_px))
        axis_ratio = axis_ratio_of(shape.e1, shape.e2)
        known = np.isfinite(error.fwhm_px)
        e_err = float(np.hypot(error.e1, error.e2) / np.sqrt(2))
        return replace(
            base,
            stars=int(np.count_nonzero(stars)),
            fwhm_px=shape.fwhm_px,
            fwhm_px_err=error.fwhm_px if known else None,
            axis_ratio=axis_ratio,
            eccentricity=eccentricity_of(axis_ratio),
            eccentricity_err=eccentricity_error(float(np.hypot(shape.e1, shape.e2)), e_err)
            if known
            else None,
            elongation_deg=angle_of(shape.e1, shape.e2),
            hfr_px=shape.hfr_px,
            clipped_stars=int(np.count_nonzero(full & stars)),
            width_from="moments",
            star_list=self.star_list(stars, shape.hfr_px),
            notes=(*notes, "stars are no Moffats: width from their mean picture"),
        )


@dataclass(frozen=True)
class Fitted:
    """The frame's PSF from its fitted stars, in frame pixels."""

    log_scale: float
    log_scale_err: float
    e1: float
    e2: float
    e_err: float
    beta: float
    alignment: float
    fits_model: bool
    count: int
    x: F64
    y: F64
    log_scales: F64
    e1s: F64
    e2s: F64
    weight: F64
    residual: MeanResidual


def combine(
    fits: Fits, cutouts: Stamps, width_px: float, block: int, x: I64, y: I64
) -> Fitted | None:
    """Average the fitted stars' sizes and ellipticity components, outliers left out."""
    if np.count_nonzero(fits.good) < 1:
        return None
    ellipses = ellipses_of(fits.params, fits.covariance)
    keep = fits.good & (ellipses.covariance[:, 0, 0] < 0.15**2)
    believable = keep & (fits.left_over < STARLIKE_WITHIN)
    keep = believable if believable.any() else keep
    if np.count_nonzero(keep) < 1:
        return None
    keep = inliers(ellipses, keep)
    size, size_err, _ = robust_mean(ellipses.log_scale[keep], ellipses.covariance[keep, 0, 0])
    e1, e1_err, weight = robust_mean(ellipses.e1[keep], ellipses.covariance[keep, 1, 1])
    e2, e2_err, _ = robust_mean(ellipses.e2[keep], ellipses.covariance[keep, 2, 2])
    # from half widths of fit pixels to Moffat scales of frame pixels
    shift = float(np.log(block) - 0.5 * np.log(2 ** (1 / fits.beta) - 1))
    lengths = np.hypot(ellipses.e1[keep], ellipses.e2[keep])
    return Fitted(
        size + shift,
        size_err,
        e1,
        e2,
        float(np.hypot(e1_err, e2_err) / np.sqrt(2)),
        fits.beta,
        float(np.hypot(e1, e2) / max(float(np.average(lengths, weights=weight)), 1e-9)),
        bool(np.median(fits.left_over[keep]) < MODEL_FITS_WITHIN),
        int(np.count_nonzero(keep)),
        (x[keep] + fits.params[keep, 0]) * block + (block - 1) / 2,
        (y[keep] + fits.params[keep, 1]) * block + (block - 1) / 2,
        ellipses.log_scale[keep] + shift,
        ellipses.e1[keep],
        ellipses.e2[keep],
        weight,
        mean_residual(cutouts, fits, keep, block, width_px),
    )


def inliers(ellipses: Ellipses, keep: Mask) -> Mask:
    """Drop stars whose size or shape is far from the others' (galaxies, doubles, strays)."""
    for values in (ellipses.log_scale, ellipses.e1, ellipses.e2):
        middle = np.median(values[keep])
        spread = 1.4826 * np.median(np.abs(values[keep] - middle))
        keep = keep & (np.abs(values - middle) <= 4 * max(float(spread), 0.01))
    return keep


def robust_mean(values: F64, variance: F64) -> tuple[float, float, F64]:
    """Weighted mean with the stars' own scatter added to their fit errors; its error; weights."""
    middle = np.median(values)
    spread = (1.4826 * np.median(np.abs(values - middle))) ** 2
    own = max(0.0, float(spread - np.median(variance)))
    weight = 1 / (variance + own + 1e-8)
    mean = float(np.average(values, weights=weight))
    count = len(values)
    formal = 1 / np.sum(weight)
    if count >= 8:
        seen = np.sum(weight**2 * (values - mean) ** 2) / np.sum(weight) ** 2 * count / (count - 1)
        formal = max(formal, float(seen))
    return mean, float(np.sqrt(formal)), weight


def eccentricity_error(length: float, length_err: float) -> float:
    """
    Error of the eccentricity from that of the ellipticity's length.

    e_ecc = sqrt(2 L / (1 + L)), so d e_ecc / d L = 1 / (e_ecc (1 + L)^2); near round the
    slope is taken one error away from zero, where it stays finite.
    """
    at = min(max(length, length_err, 1e-6), 1.0)
    eccentricity = np.sqrt(2 * at / (1 + at))
    return float(length_err / (eccentricity * (1 + at) ** 2))
