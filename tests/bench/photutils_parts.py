"""What photutils' parts cost on one frame beside the whole of ours: why it judges, not detects.

Run `OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1 python -m tests.bench.photutils_parts`. CPU seconds of
the process, best of some turns, on 8 Mpx with 1,500 stars 2.5 px wide.
"""

import warnings
from collections.abc import Callable, Iterator

import numpy as np
from photutils.aperture import CircularAperture, aperture_photometry
from photutils.background import Background2D, MedianBackground
from photutils.detection import DAOStarFinder
from photutils.psf import fit_fwhm
from photutils.segmentation import SourceCatalog, detect_sources

from runlog.measure import measure_frame
from runlog.measure.background import measure_sky
from runlog.measure.fluxes import circle_sums
from runlog.measure.pixels import as_plane
from runlog.measure.second_opinion import second_opinion
from tests.bench.speed import best_of
from tests.measure.fields import draw_field, moffat

TURNS = 3
FWHM_PX, RADII_PX = 2.5, (2.6, 4.6)


def parts(pixels: np.ndarray) -> Iterator[tuple[str, Callable[[], object]]]:
    """Name and work of each part, ours first."""
    plane, found = as_plane(pixels, None), measure_frame(pixels)
    assert plane is not None
    xy = np.column_stack([found.star_list.x, found.star_list.y])
    yield "measure_frame, all of it", lambda: measure_frame(pixels)
    yield "  measure_sky", lambda: measure_sky(plane)
    data = pixels.astype(np.float32)
    mesh = Background2D(data, 64, bkg_estimator=MedianBackground())
    yield "Background2D, medians of 64 px", lambda: Background2D(
        data, 64, bkg_estimator=MedianBackground()).background  # fmt: skip
    light = (data - mesh.background).astype(np.float32)
    noise = mesh.background_rms_median
    yield "DAOStarFinder, 5 sigma", lambda: DAOStarFinder(5 * noise, FWHM_PX)(light)
    yield "detect_sources, 5 sigma", lambda: detect_sources(light, 5 * noise, n_pixels=5)
    segments = detect_sources(light, 5 * noise, n_pixels=5)

    def basics() -> object:
        catalog = SourceCatalog(light, segments)
        return catalog.fwhm, catalog.eccentricity, catalog.x_centroid, catalog.segment_flux

    yield "SourceCatalog, widths and sums", basics
    yield "SourceCatalog.flux_radius", lambda: SourceCatalog(light, segments).flux_radius(0.5)
    yield f"fit_fwhm, {len(xy)} stars", lambda: fit_fwhm(
        light, xypos=xy, fwhm=FWHM_PX, fit_shape=5)  # fmt: skip
    level = np.zeros(len(xy))
    light_of = (light, xy[:, 0], xy[:, 1], level, RADII_PX)
    yield "circle_sums, two radii", lambda: circle_sums(*light_of)
    circles = [CircularAperture(xy, radius) for radius in RADII_PX]
    yield "aperture_photometry, the same", lambda: aperture_photometry(light, circles)
    yield "second_opinion, all of it", lambda: second_opinion(pixels, found)


def main() -> None:
    warnings.simplefilter("ignore")
    drawn = draw_field(moffat(FWHM_PX), seed=1, stars=1500, height=2448, width=3264)
    whole = None
    for name, work in parts(drawn.pixels):
        spent = best_of(work, TURNS)
        whole = whole or spent
        print(f"{name:32s} {spent:7.3f} s  {spent / whole:6.2f} of measure_frame")


if __name__ == "__main__":
    main()
