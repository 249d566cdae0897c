"""What photutils makes of a frame, beside what runlog measured; only for those who ask."""

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.spatial import cKDTree

from runlog.core.columns import plural
from runlog.core.frame import Measurement
from runlog.measure.background import tile_size
from runlog.measure.fluxes import RING_APART_PX, RING_HFR, SMALLEST_WHOLE_PX, WHOLE_HFR
from runlog.measure.pixels import F32, F64, Array, Mask, Plane, as_plane, find_ceiling
from runlog.measure.shape import axis_ratio_of, eccentricity_of

STARS_SIGMA = 5.0  # DAOStarFinder, as our own detection
SOURCES_SIGMA, SOURCES_PX = 3.0, 5  # detect_sources: least height and size
MOST_COMPARED = 60  # a fit takes 15 ms
FEWEST = 5  # medians of fewer stars say little
FIT_WIDTHS, SMALLEST_FIT_PX = 1.5, 5  # side of the square that a Gaussian is fitted to
ASSUMED_WIDTH_PX = 3.0  # of stars to look for, where runlog knows no width
FWHM_OF_SIGMA = 2.3548200450309493  # 2 sqrt(2 ln 2)
PIXEL_VARIANCE_PX2 = 1 / 12  # of a square pixel, each way


@dataclass(frozen=True, slots=True)
class Comparison:
    """One value as runlog and as photutils measure it, and what differs by definition."""

    runlog: float | None = None
    photutils: float | None = None
    words: str = ""

    @property
    def difference(self) -> float | None:
        """photutils less runlog, in the value's own unit; None where one of them is silent."""
        if self.runlog is None or self.photutils is None:
            return None
        return self.photutils - self.runlog


@dataclass(frozen=True, slots=True)
class SecondOpinion:
    """Each value twice; lengths in px, light in ADU. `remark` says what stands in the way."""

    photutils_version: str | None = None
    stars_compared: int = 0
    remark: str | None = None
    background_adu: Comparison = field(default_factory=Comparison)
    noise_adu: Comparison = field(default_factory=Comparison)
    stars: Comparison = field(default_factory=Comparison)
    sources: Comparison = field(default_factory=Comparison)
    listed_stars: Comparison = field(default_factory=Comparison)
    fwhm_px: Comparison = field(default_factory=Comparison)
    fwhm_moments_px: Comparison = field(default_factory=Comparison)
    hfr_px: Comparison = field(default_factory=Comparison)
    axis_ratio: Comparison = field(default_factory=Comparison)
    eccentricity: Comparison = field(default_factory=Comparison)
    flux_adu: Comparison = field(default_factory=Comparison)


@dataclass(frozen=True, slots=True)
class Seen:
    """A frame as photutils sees it."""

    light: F32  # (h, w), its background subtracted, ADU
    bad: Mask | None  # (h, w), what is not finite
    background_adu: float
    noise_adu: float
    green_only: Mask | None  # (h, w), pixels of a mosaic that are not green


def second_opinion(
    pixels: Array,
    found: Measurement,
    *,
    bayer: str | None = None,
    saturation_adu: float | None = None,
    has_stars: bool = True,
) -> SecondOpinion:
    """
    Measure a frame again with photutils, on the stars that runlog listed.

    photutils' own detection is counted; widths, shapes and fluxes are medians over the same
    stars, so that they differ by how a star is measured and not by which.

    Parameters
    ----------
    pixels : ndarray, shape (h, w) or (3, h, w)
        As handed to `measure_frame`, ADU. A mosaic's four sites are brought to one sky first.
    found : Measurement
        What `measure_frame` made of them; of a frame without stars its level and noise.
    bayer, saturation_adu : optional
        As handed to `measure_frame`.
    has_stars : bool
        False for darks, bias and flats: only background and noise are compared.

    Returns
    -------
    SecondOpinion
        Every field is there; what photutils or runlog cannot say is None, with words.

    References
    ----------
    Bradley et al., photutils: `Background2D`, `DAOStarFinder` (Stetson 1987, PASP 99, 191),
    `detect_sources`, `SourceCatalog`, `fit_fwhm`, `CircularAperture`.
    """
    plane = as_plane(np.asarray(pixels), bayer)
    if plane is None or found.background_adu is None:
        return SecondOpinion(remark="; ".join(found.notes) or "no picture in the file")
    with _quiet():
        try:
            return _opinion(plane, found, saturation_adu, has_stars)
        except (ValueError, MemoryError) as error:
            words = str(error) or "not enough memory"
            return SecondOpinion(_version(), remark=f"photutils gave up on this frame: {words}")


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep photutils' warnings about single stars from the screen; medians do not see them."""
    from astropy.utils.exceptions import AstropyWarning

    with warnings.catch_warnings():
        warnings.simplefilter("ignore", AstropyWarning)
        warnings.simplefilter("ignore", RuntimeWarning)
        yield


def _version() -> str:
    import photutils

    return str(photutils.__version__)


def _opinion(
    plane: Plane, found: Measurement, saturation_adu: float | None, has_stars: bool
) -> SecondOpinion:
    seen = see(plane)
    sky: dict[str, Any] = {
        "photutils_version": _version(),
        "background_adu": Comparison(
            found.background_adu,
            seen.background_adu,
            "Background2D: tiles' clipped modes (2.5 median - 1.5 mean); ours: clipped medians",
        ),
        "noise_adu": Comparison(
            found.noise_adu,
            seen.noise_adu,
            "Background2D: clipped standard deviation of a tile; ours: the quantile of one "
            "sigma below its median, the sky's own slope taken out",
        ),
    }
    if not has_stars:
        return SecondOpinion(**sky, remark="; ".join(found.notes) or None)
    if seen.noise_adu <= 0:
        return SecondOpinion(**sky, remark="no noise, no stars to tell from it")
    return SecondOpinion(**sky, **_of_stars(plane, seen, found, saturation_adu))


def see(plane: Plane) -> Seen:
    """Subtract photutils' background of a frame, tiles as large as ours."""
    from photutils.background import Background2D

    light = plane.rows(0, plane.height)
    bad = ~np.isfinite(light)
    tile = min(tile_size(plane.height, plane.width), plane.height, plane.width)
    mesh = Background2D(light, tile, mask=bad if bad.any() else None)
    light = np.where(bad, 0, light - mesh.background).astype(np.float32)
    green = None
    if plane.bayer is not None:
        rows, columns = np.ogrid[: plane.height, : plane.width]
        green = plane.green_weights(rows, columns) == 0
    return Seen(
        light,
        bad if bad.any() else None,
        float(mesh.background_median),
        float(mesh.background_rms_median),
        green,
    )


def _of_stars(
    plane: Plane, seen: Seen, found: Measurement, saturation_adu: float | None
) -> dict[str, Any]:
    """What is said of stars: how many there are, and how wide, long and bright the listed are."""
    catalog = sources_of(seen)
    listed = np.column_stack([found.star_list.x, found.star_list.y]).reshape(-1, 2).astype(float)
    of_star = source_at(catalog, listed, max(1.5, (found.fwhm_px or ASSUMED_WIDTH_PX) / 2))
    has_source = of_star >= 0
    counts = _counts(seen, found, catalog, int(np.count_nonzero(has_source)))
    below = not_full(plane, seen, listed, found, saturation_adu)
    which = np.flatnonzero(has_source & below)[:MOST_COMPARED]
    if found.fwhm_px is None or found.hfr_px is None or not len(which):
        why = "no star that both know and that is not full"
        if found.fwhm_px is None:
            why = f"runlog gives no width to compare with: {'; '.join(found.notes)}"
        return counts | {"remark": why}
    flux = np.asarray(found.star_list.flux_adu)[which]
    known = plural(len(which), "star")
    few = f"only {known}: medians of so few say little" if len(which) < FEWEST else None
    return counts | {
        "stars_compared": len(which),
        "remark": few,
        **_shapes(seen, found, listed[which], catalog[np.unique(of_star[which])]),
        "flux_adu": _fluxes(seen, found.hfr_px, listed[which], flux),
    }


def sources_of(seen: Seen) -> Any:
    """Catalogue what stands out over at least `SOURCES_PX` joined pixels; None if nothing does."""
    from photutils.segmentation import SourceCatalog, detect_sources

    segments = detect_sources(
        seen.light, SOURCES_SIGMA * seen.noise_adu, n_pixels=SOURCES_PX, mask=seen.bad
    )
    return None if segments is None else SourceCatalog(seen.light, segments)


def source_at(catalog: Any, xy: F64, reach_px: float) -> Array:
    """
    Say which source of a catalogue lies at each position.

    Parameters
    ----------
    catalog : SourceCatalog or None
    xy : ndarray, shape (n, 2)
        Positions in px.
    reach_px : float
        How far a source's centroid may be.

    Returns
    -------
    ndarray of int, shape (n,)
        Index in the catalogue; -1 where there is none.
    """
    if catalog is None or not len(xy):
        return np.full(len(xy), -1)
    middles = np.column_stack([catalog.x_centroid, catalog.y_centroid]).reshape(-1, 2)
    distance, which = cKDTree(middles).query(xy, distance_upper_bound=reach_px)
    return np.where(np.isfinite(distance), which, -1)


def not_full(
    plane: Plane, seen: Seen, xy: F64, found: Measurement, saturation_adu: float | None
) -> Mask:
    """Which stars, at (x, y) in px, hold no saturated pixel within their width."""
    ceiling = find_ceiling(plane, saturation_adu, seen.background_adu)
    if ceiling is None or not len(xy):
        return np.ones(len(xy), bool)
    full = np.concatenate(
        [
            np.argwhere(plane.rows(start, stop) >= 0.98 * ceiling) + np.array([start, 0])
            for start, stop in plane.chunks()
        ]
    )
    if not len(full):
        return np.ones(len(xy), bool)
    near, _ = cKDTree(full[:, ::-1]).query(xy)
    return np.asarray(near > max(2.0, found.fwhm_px or 0.0))


def _counts(seen: Seen, found: Measurement, catalog: Any, known: int) -> dict[str, Comparison]:
    width = found.fwhm_px or ASSUMED_WIDTH_PX
    assumed = "" if found.fwhm_px else " (assumed)"
    return {
        "stars": Comparison(
            found.stars,
            stars_of(seen, width),
            f"DAOStarFinder at {STARS_SIGMA:g} sigma with a Gaussian of {width:.2g} px{assumed}: "
            "its kernel counts light close by as sky, so faint stars go; single pixels, rings and "
            "cloud may count as stars",
        ),
        "sources": Comparison(
            None,
            0 if catalog is None else len(catalog),
            f"detect_sources: {SOURCES_PX} joined pixels over {SOURCES_SIGMA:g} sigma, whatever "
            "they are: stars, galaxies, trails; what touches is one",
        ),
        "listed_stars": Comparison(
            len(found.star_list.x),
            known,
            "the brightest stars that runlog lists, and how many of them are a source of "
            "photutils: faint ones hold too few pixels, stars that touch are one",
        ),
    }


def stars_of(seen: Seen, width_px: float) -> int:
    """Count the stars that DAOStarFinder finds; closer than a width they are one."""
    from photutils.detection import DAOStarFinder

    find = DAOStarFinder(STARS_SIGMA * seen.noise_adu, width_px, min_separation=width_px)
    table = find(seen.light, mask=seen.bad)
    return 0 if table is None else len(table)


def _shapes(seen: Seen, found: Measurement, xy: F64, sources: Any) -> dict[str, Comparison]:
    single, mean = axis_ratios(sources)
    fitted = fitted_width(seen, xy, found.fwhm_px or ASSUMED_WIDTH_PX)
    return {
        "fwhm_px": Comparison(found.fwhm_px, fitted, _fit_words(found, fitted)),
        "fwhm_moments_px": Comparison(
            found.fwhm_px,
            _median(sources.fwhm.value),
            f"SourceCatalog: second moments of the pixels over {SOURCES_SIGMA:g} sigma alone: "
            "faint and wide stars read narrow, stars that touch read wide",
        ),
        "hfr_px": Comparison(
            found.hfr_px,
            _median(sources.flux_radius(0.5).value),
            "SourceCatalog: radius of half the Kron flux, which leaves the outer wings out",
        ),
        "axis_ratio": Comparison(
            found.axis_ratio,
            single,
            "SourceCatalog: median of single stars, each made longer by its noise; "
            f"its moments averaged first, as ours are: {mean:.3f}",
        ),
        "eccentricity": Comparison(
            found.eccentricity,
            eccentricity_of(single),
            f"the same stars; averaged first, as ours are: {eccentricity_of(mean):.2f}",
        ),
    }


def fitted_width(seen: Seen, xy: F64, width_px: float) -> float | None:
    """Median FWHM in px of round pixel-integrated Gaussians fitted at (x, y), before the pixel."""
    from photutils.psf import fit_fwhm

    side = max(SMALLEST_FIT_PX, int(np.ceil(FIT_WIDTHS * width_px))) | 1
    mask = seen.bad if seen.green_only is None else seen.green_only
    return _median(fit_fwhm(seen.light, xypos=xy, fwhm=width_px, fit_shape=side, mask=mask))


def as_sampled(fwhm_px: float) -> float:
    """FWHM in px of a Gaussian once a square pixel, of variance 1/12 px^2, has sampled it."""
    return float(np.hypot(fwhm_px, FWHM_OF_SIGMA * np.sqrt(PIXEL_VARIANCE_PX2)))


def _fit_words(found: Measurement, fitted: float | None) -> str:
    sampled = "" if fitted is None else f" (as sampled {as_sampled(fitted):.2f})"
    words = (
        f"fit_fwhm: a round Gaussian before the pixel widens it{sampled}; ours: the area above "
        "half maximum, as sampled. Wings pull a Gaussian wide"
    )
    if found.width_from == "moments":
        words += "; these stars are no Gaussians at all"
    return words


def axis_ratios(sources: Any) -> tuple[float, float]:
    """
    Typical axis ratio b/a of a catalogue's sources, in two ways.

    Returns
    -------
    single : float
        Median of each source's own.
    mean : float
        Of the median ellipticity components (xx - yy)/(xx + yy) and 2 xy/(xx + yy), in which
        noise cancels.
    """
    xx, yy, xy = (
        np.atleast_1d(getattr(sources, f"covariance_{which}").value) for which in ("xx", "yy", "xy")
    )
    e1, e2 = _median((xx - yy) / (xx + yy)) or 0.0, _median(2 * xy / (xx + yy)) or 0.0
    return _median(1 / sources.elongation.value) or 1.0, axis_ratio_of(e1, e2)


def _fluxes(seen: Seen, hfr_px: float, xy: F64, ours: F64) -> Comparison:
    """Median over the stars of our total fluxes and of photutils' circle sums."""
    radius = max(SMALLEST_WHOLE_PX, WHOLE_HFR * hfr_px)
    sums = circles(seen, xy, radius, hfr_px)
    ratio = _median(sums / ours)
    words = (
        f"CircularAperture of {radius:.1f} px less a ring of sky; ours is the whole star's light: "
        "what the circle leaves out is added by the curve of growth"
    )
    if ratio is not None:
        words += f". Median ratio of the same stars: {ratio:.3f}"
    return Comparison(_median(ours), _median(sums), words)


def circles(seen: Seen, xy: F64, radius_px: float, hfr_px: float) -> F64:
    """Light, in ADU, in exact circles at (x, y), less the median of a ring; shape (n,)."""
    from photutils.aperture import (
        ApertureStats,
        CircularAnnulus,
        CircularAperture,
        aperture_photometry,
    )

    circle = CircularAperture(xy, radius_px)
    ring = CircularAnnulus(
        xy, *(a * hfr_px + b for a, b in zip(RING_HFR, RING_APART_PX, strict=True))
    )
    sky = ApertureStats(seen.light, ring).median
    table = aperture_photometry(seen.light, circle)
    return np.asarray(table["aperture_sum"] - sky * circle.area, np.float64)


def _median(values: Any) -> float | None:
    """Median of what is finite."""
    finite = np.atleast_1d(np.asarray(values, np.float64))
    finite = finite[np.isfinite(finite)]
    return float(np.median(finite)) if finite.size else None
