"""Measure one light frame: pixels in, numbers out, nothing made up."""

from dataclasses import replace

import numpy as np

from runlog.core.frame import Field, Measurement
from runlog.core.robust import MAD_TO_SIGMA
from runlog.measure.background import Sky, measure_sky
from runlog.measure.candidates import Candidates, find_candidates
from runlog.measure.doubled import Doubling, find_doubling
from runlog.measure.empirical import CorrectedShape, corrected_shape
from runlog.measure.field import measure_field
from runlog.measure.fitted import Fitted, fit_stars
from runlog.measure.fluxes import list_stars, median_peak
from runlog.measure.lines import mend_lines
from runlog.measure.modelfree import (
    MOST_STARS,
    MomentStars,
    PictureShape,
    mean_shape,
    single_moments,
)
from runlog.measure.pixels import F64, I64, Array, Mask, Plane, as_plane, find_ceiling
from runlog.measure.points import hot_pixels_ppm
from runlog.measure.rescale import settled_width
from runlog.measure.residual import Residual, remove_points, subtract_sky
from runlog.measure.scale import find_scale
from runlog.measure.screen import templates_of, templates_of_picture
from runlog.measure.shape import (
    Growth,
    angle_of,
    axis_ratio_of,
    eccentricity_error,
    eccentricity_of,
    length_without_noise,
    moffat_growth,
    scale_matrix,
)
from runlog.measure.stars import recentred
from runlog.measure.streaks import find_lines
from runlog.measure.trail import erase

SMALLEST_SIDE_PX = 16
BLANK_SHARE = 0.05  # of the frame without any noise: rows that were never read out
NARROWEST_STAR_PX = 1.1  # what a pixel makes of a point is wider: it was no star
ASSUMED_WIDTH_PX, ASSUMED_BETA = 3.0, 3.0  # to count stars by when none shows its width
MOFFAT_WIDTH = 2 * (2 ** (1 / ASSUMED_BETA) - 1) ** 0.5  # FWHM of a Moffat of scale 1
WIDE_STAR_PX = 3.4  # where points can be told from stars by one pixel's neighbours
DOUBLED_SURELY = 30  # peaks: among fewer things that are unlike, chance finds an offset
DOUBLED_PEAKS, DOUBLED_AXIS_RATIO = 1.15, 0.75  # peaks a star, shape of the pair
MERGED_WIDTHS = 3.0  # second images farther off leave the model's single star alone
COARSER = 1.5  # times its width: the scale at which a star is measured wrong
FEWEST_PICTURES = 5  # things without a model may be anything where fewer are alike
UNLIKE_SPREAD, UNLIKE_SHAPE = 0.25, 0.2  # of log size and of ellipticity: no stars of one frame
UNLIKE = "what was found differs too much in size to be stars: no width"
TOLD_DOUBT = 0.03  # of the width
PICTURE_SIGMA = 8.0  # of the smoothed peak: fainter stars add only noise to a picture


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
        return Measurement(
            stars=0, clipped_stars=0, notes=("no two-dimensional picture in the array",)
        )
    sky = measure_sky(plane)
    if sky is None:
        return Measurement(
            stars=0,
            clipped_stars=0,
            notes=("no finite pixel in the frame, or none that could be light",),
        )
    ceiling = find_ceiling(plane, saturation_adu, sky.median_adu)
    base = Measurement(
        stars=0,
        clipped_stars=0,
        background_adu=sky.median_adu,
        noise_adu=sky.noise_adu,
        gradient_adu=sky.gradient_adu,
    )
    reason = hopeless(plane, sky, ceiling)
    if reason is not None:
        return replace(base, notes=(reason,))
    residual = subtract_sky(plane, sky, ceiling)
    found = measure_stars(plane, sky, residual, base)
    return replace(found, peak_adu=median_peak(residual.light, found.star_list, found.hfr_px))


def hopeless(plane: Plane, sky: Sky, ceiling_adu: float | None) -> str | None:
    """Why a frame cannot hold measurable stars, if so."""
    if ceiling_adu is not None and sky.median_adu >= 0.98 * ceiling_adu:
        return "frame is saturated"
    if sky.noise_adu <= 0:
        return "frame is uniform: no noise, no stars to tell from it"
    if min(plane.height, plane.width) < SMALLEST_SIDE_PX:
        return "frame too small to look for stars"
    return None


def measure_stars(plane: Plane, sky: Sky, residual: Residual, base: Measurement) -> Measurement:
    """Find the frame's stars at their own scale and measure them."""
    notes: tuple[str, ...] = ()
    if residual.not_finite:
        notes = (f"{residual.not_finite} pixels are not finite, or beyond all light",)
    if sky.blank_share > BLANK_SHARE:
        notes = (*notes, f"{100 * sky.blank_share:.0f} % of the frame is blank")
    hot = hot_pixels_ppm(residual.light, sky.noise_adu)
    residual = residual.without(mend_lines(residual.light, sky.noise_adu))
    lines = find_lines(residual, sky.noise_adu)
    base = replace(base, streaks=lines.streaks, hot_pixels_ppm=hot, notes=notes)
    erase(residual.light, lines.streaks + lines.others, sky.noise_adu)
    headroom = None if residual.ceiling_adu is None else residual.ceiling_adu - sky.median_adu
    scale = find_scale(residual.light, headroom)
    if scale is None:
        return without_width(base, find_candidates(plane, sky, residual, ASSUMED_WIDTH_PX))
    width = settled_width(plane, sky, residual, scale)
    hfr = scale.hfr_px * width / scale.width_px
    if width > WIDE_STAR_PX:
        remove_points(residual.light, sky.noise_adu)
    candidates = find_candidates(plane, sky, residual, width)
    chosen = candidates.choose()
    fitted = fit_stars(candidates, chosen) if len(chosen) else None
    doubling = None
    if fitted is not None and fitted.fits_model:
        found = from_model(base, candidates, fitted)
        doubling = doubling_of(found, candidates)
        if doubling is None and fitted.spread > UNLIKE_SPREAD:
            return without_width(base, candidates, UNLIKE)
        if doubling is None or not merged(found, doubling, width):
            return with_doubling(found, doubling)
    hollow = find_candidates(plane, sky, residual, width, hollow=True)
    pictured, alike = from_pictures(base, hollow, hfr)
    found = with_both_images(pictured, candidates)
    doubling = doubling or doubling_of(found, candidates)
    # images of a doubled star are taken for one here and for two there
    if not alike and (doubling is None or len(candidates) < DOUBLED_SURELY):
        return without_width(base, hollow, UNLIKE)
    return with_doubling(found, doubling)


def noted(base: Measurement, note: str) -> Measurement:
    """The measurement with one more note."""
    return replace(base, notes=(*base.notes, note))


def from_model(base: Measurement, candidates: Candidates, fitted: Fitted) -> Measurement:
    """Numbers of a frame whose stars are Moffats, their mean residual taken into account."""
    matrix = scale_matrix(fitted.log_scale, fitted.e1, fitted.e2)
    shape = corrected_shape(matrix, fitted.beta, fitted.residual)
    if shape.fwhm_px < NARROWEST_STAR_PX:
        return noted(base, "nothing wider than a hot pixel or cosmic ray found")
    if fitted.doubt > TOLD_DOUBT:
        base = noted(base, rests_on(fitted.alike))
    growth = moffat_growth(matrix, fitted.beta)
    full = candidates.full(max(2.0, shape.fwhm_px))
    stars = candidates.stars(templates_of(matrix, fitted.beta, candidates.factor), full)
    where = candidates.positions[stars]
    base = with_ellipse(
        base,
        shape.e1,
        shape.e2,
        fitted.e_err,
        float(np.linalg.norm([fitted.e_err, shape.ellipticity_doubt, fitted.doubt])),
    )
    return replace(
        base,
        stars=int(np.count_nonzero(stars)),
        fwhm_px=shape.fwhm_px,
        fwhm_px_err=shape.fwhm_px
        * float(np.linalg.norm([fitted.log_scale_err, shape.width_doubt, fitted.doubt])),
        alignment=fitted.alignment,
        hfr_px=growth.half_flux_radius_px,
        clipped_stars=int(np.count_nonzero(full & stars)),
        field=field_of_fits(candidates.plane, fitted, shape, where),
        beta=fitted.beta,
        width_from="moffat",
        star_list=list_stars(candidates.residual.light, where[:, 0], where[:, 1], growth),
    )


def with_ellipse(
    base: Measurement, e1: float, e2: float, noise: float, error: float | None
) -> Measurement:
    """
    Add axis ratio, eccentricity and angle to a measurement.

    The length of a mean of noisy components is too long by the noise, which is taken out.
    """
    length = length_without_noise(float(np.hypot(e1, e2)), noise)
    axis_ratio = axis_ratio_of(length, 0.0)
    return replace(
        base,
        axis_ratio=axis_ratio,
        eccentricity=eccentricity_of(axis_ratio),
        eccentricity_err=None if error is None else eccentricity_error(length, error),
        elongation_deg=angle_of(e1, e2),
    )


def field_of_fits(plane: Plane, fitted: Fitted, shape: CorrectedShape, seen: F64) -> Field:
    """
    Zones and planes from the fitted stars, their widths and shapes tied to the frame's.

    Fits say what a star is before the pixel: narrow stars are longer then than as sampled.
    """
    stars = fitted.stars
    widths = shape.fwhm_px * np.exp(stars.log_scale - fitted.log_scale)
    e1, e2 = stars.e1 + shape.e1 - fitted.e1, stars.e2 + shape.e2 - fitted.e2
    return measure_field(
        stars.x, stars.y, widths, e1, e2, stars.weight,
        seen[:, 0], seen[:, 1], plane.width, plane.height,
    )  # fmt: skip


def from_pictures(
    base: Measurement, candidates: Candidates, hfr_px: float
) -> tuple[Measurement, bool]:
    """
    Numbers of a frame whose stars are rings, trails, or too few for a model.

    Also returns whether what they were measured on is alike, as stars of one frame are.
    """
    chosen = candidates.choose()
    bright = candidates.peaks.height[chosen] > PICTURE_SIGMA * candidates.peaks.noise
    strong = chosen[bright][:MOST_STARS]
    if len(strong) == 0:
        return without_width(base, candidates), True
    light = candidates.residual.light
    radius = int(np.ceil(3 * hfr_px)) + 2
    where = np.rint(candidates.positions[strong]).astype(np.int64)
    x, y = recentred(light, where[:, 0], where[:, 1], max(2, radius * 2 // 3))
    shape, errors, picture = mean_shape(light, x, y, radius)
    if shape.fwhm_px < NARROWEST_STAR_PX:
        return noted(base, "nothing wider than a hot pixel or cosmic ray found"), True
    full = candidates.full(max(2.0, shape.fwhm_px))
    stars = candidates.stars(templates_of_picture(picture, candidates.factor), full)
    if not stars.any():
        return without_width(base, candidates), True
    seen = candidates.positions[stars]
    single = single_moments(light, x, y, shape.growth.half_flux_radius_px)
    if len(strong) < FEWEST_PICTURES:
        return without_width(base, candidates), True
    base = with_ellipse(base, shape.e1, shape.e2, errors.ellipticity or 0.0, errors.ellipticity)
    found = replace(
        base,
        stars=int(np.count_nonzero(stars)),
        fwhm_px=shape.fwhm_px,
        fwhm_px_err=errors.fwhm_px,
        alignment=alignment_of(single),
        hfr_px=shape.growth.half_flux_radius_px,
        clipped_stars=int(np.count_nonzero(full & stars)),
        field=field_of_moments(candidates.plane, single, shape, x, y, seen),
        width_from="moments",
        star_list=list_stars(light, seen[:, 0], seen[:, 1], shape.growth),
        notes=(*base.notes, "stars are no Moffats: width from their mean picture"),
    )
    return found, not unlike(single)


def with_both_images(found: Measurement, candidates: Candidates) -> Measurement:
    """
    List the single peaks where every star has two: a doubled exposure, not a ring.

    The numbers stay those of the whole image; the list is what shows the doubling.
    """
    single = ~candidates.points
    many = np.count_nonzero(single) > DOUBLED_PEAKS * (found.stars or 0)
    if not many or (found.axis_ratio or 1.0) > DOUBLED_AXIS_RATIO:
        return found
    where = candidates.positions[single]
    peak_px = 0.8 * candidates.factor
    radius = np.array([0.0, 1.5 * peak_px, 3 * peak_px])
    growth = Growth(radius, np.array([0.0, 0.7, 1.0]))
    listed = list_stars(candidates.residual.light, where[:, 0], where[:, 1], growth, peak_px)
    return replace(found, star_list=listed)


def doubling_of(found: Measurement, candidates: Candidates) -> Doubling | None:
    """Look for second images of the brightest stars that are not full."""
    if found.fwhm_px is None or found.axis_ratio is None or found.elongation_deg is None:
        return None
    usable = ~candidates.points & ~candidates.full(1.5 * found.fwhm_px + 2)
    where = np.rint(candidates.positions[usable][:MOST_STARS]).astype(np.int64)
    e, turn = (1 - found.axis_ratio) / (1 + found.axis_ratio), np.radians(2 * found.elongation_deg)
    return find_doubling(
        candidates.residual.light, where[:, 0], where[:, 1], candidates.factor,
        found.fwhm_px * found.axis_ratio**0.5, e * np.cos(turn), e * np.sin(turn),
    )  # fmt: skip


def merged(found: Measurement, doubling: Doubling, looked_for_px: float) -> bool:
    """Whether both images of a doubled star were taken for one, by the model or before."""
    if found.fwhm_px is None:
        return False
    near = doubling.apart_px < MERGED_WIDTHS * found.fwhm_px
    return near or looked_for_px > COARSER * found.fwhm_px


def with_doubling(found: Measurement, doubling: Doubling | None) -> Measurement:
    """The measurement with its second images, if any, and a note that says so."""
    if doubling is None:
        return found
    found = noted(found, f"every star stands twice, {doubling.apart_px:.1f} px apart")
    return replace(found, doubled_share=doubling.share, doubled_px=doubling.apart_px)


def without_width(base: Measurement, candidates: Candidates, why: str = "") -> Measurement:
    """What is left to say when no star is fit to measure a width on."""
    matrix = np.eye(2) * (candidates.width_px / MOFFAT_WIDTH) ** 2
    templates = templates_of(matrix, ASSUMED_BETA, candidates.factor)
    stars = candidates.stars(templates, candidates.full(max(2.0, candidates.width_px)))
    count = int(np.count_nonzero(stars))
    note = why or "too few stars to measure a width"
    return noted(replace(base, stars=count), note if count else "no stars found")


def rests_on(alike: int) -> str:
    """Say that a width rests on little."""
    if alike == 1:
        return "width from a single thing: star, galaxy or flaw"
    return f"width from only {alike} things alike"


def unlike(single: MomentStars) -> bool:
    """Whether things differ so much in size or shape that they are no stars of one frame."""
    parts = (np.log(single.size_px), single.e1, single.e2)
    size, e1, e2 = (MAD_TO_SIGMA * np.median(np.abs(part - np.median(part))) for part in parts)
    return bool(size > UNLIKE_SPREAD or np.hypot(e1, e2) > UNLIKE_SHAPE)


def alignment_of(single: MomentStars) -> float:
    """Length of the mean ellipticity over the mean length, outliers left out by medians."""
    mean = float(np.hypot(np.median(single.e1), np.median(single.e2)))
    return min(1.0, mean / max(float(np.median(np.hypot(single.e1, single.e2))), 1e-9))


def field_of_moments(
    plane: Plane, single: MomentStars, shape: PictureShape, x: I64, y: I64, seen: F64
) -> Field:
    """Zones from the moments of single stars, their widths tied to the frame's."""
    widths = shape.fwhm_px * single.size_px / float(np.median(single.size_px))
    keep: Mask = np.abs(np.log(widths / shape.fwhm_px)) < np.log(2)
    return measure_field(
        x[keep].astype(float), y[keep].astype(float), widths[keep],
        single.e1[keep], single.e2[keep], np.ones(int(keep.sum())),
        seen[:, 0], seen[:, 1], plane.width, plane.height,
    )  # fmt: skip
