"""Real sky frames from the wheels of ccdproc, astropy and from sep's source package.

sep's frame is not in its wheel. Unpack the source package (`pip download --no-deps --no-binary
sep sep`) and point RUNLOG_SEP_DATA at its data folder; without it those tests are skipped.
"""

import os
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
import sep
from astropy.io import fits
from astropy.modeling import fitting, models
from photutils.detection import DAOStarFinder
from scipy.spatial import cKDTree

from runlog.measure import measure_frame

# astropy complains of the frames' old header cards and of fits that need many steps
pytestmark = pytest.mark.filterwarnings("ignore::astropy.utils.exceptions.AstropyUserWarning")


def packaged(package: str, *parts: str) -> Path:
    return Path(find_spec(package).origin).parent.joinpath(*parts)


def m13(name: str) -> np.ndarray:
    path = packaged("astropy", "io", "fits", "hdu", "compressed", "tests", "data", name)
    with fits.open(path) as hdus:
        return next(hdu.data.copy() for hdu in hdus if hdu.data is not None and hdu.data.ndim == 2)


def gaussian_width(pixels: np.ndarray, x: float, y: float) -> float:
    """FWHM of an astropy Gaussian fitted to one star: an independent, if rougher, width."""
    row, column = round(y), round(x)
    cut = pixels[row - 6 : row + 7, column - 6 : column + 7].astype(float)
    yy, xx = np.mgrid[-6:7, -6:7]
    start = models.Gaussian2D(cut.max() - np.median(cut), 0, 0, 1.4, 1.4) + models.Const2D(
        np.median(cut)
    )
    fitted = fitting.TRFLSQFitter()(start, xx, yy, cut)
    return float(2.35482 * np.sqrt(abs(fitted[0].x_stddev.value * fitted[0].y_stddev.value)))


def test_two_stars_among_cosmic_rays():
    """Guards cosmic-ray rejection: 2 bright stars about 7.6 px wide among about 11 tracks."""
    pixels = fits.getdata(packaged("ccdproc", "tests", "data", "a8280271.fits"), memmap=False)
    found = measure_frame(pixels)
    assert found.fwhm_px == pytest.approx(7.6, rel=0.06)
    # the corner between sky and overscan leaves a fainter false peak
    bright = np.array(found.star_list.flux_adu) > 60_000
    assert np.count_nonzero(bright) == 2
    assert found.stars <= 8


def test_globular_cluster_width_agrees_with_single_gaussians():
    """Guards a crowded real field: width within 6 % of astropy fits to its brightest stars."""
    pixels = m13("m13.fits")
    found = measure_frame(pixels)
    listed = found.star_list
    single = [
        gaussian_width(pixels, listed.x[k], listed.y[k])
        for k in range(60)
        if 8 < listed.x[k] < 291 and 8 < listed.y[k] < 291
    ]
    assert found.fwhm_px == pytest.approx(np.median(single), rel=0.06)


def test_globular_cluster_count_agrees_with_sep_and_photutils():
    """Guards the count in a crowd: 408 stars, where sep at 5 sigma has 287 to 413.

    sep names 287 objects with its own deblending (the crowd merges), and 413 when asked to part
    blends finely: ours agrees with the latter. DAOStarFinder, which takes no faint neighbour of
    a bright star, has about 300. Of ours nine in ten are in one of the two lists, within
    1.5 px; on a plot most of the rest lie on faint blobs, a few in the core cannot be told.
    """
    pixels = m13("m13.fits").astype(np.float32)
    found = measure_frame(pixels)
    background = sep.Background(pixels, bw=32, bh=32)
    light = pixels - background.back()
    usual = sep.extract(light, 5.0, err=background.globalrms)
    parted = sep.extract(
        light, 5.0, err=background.globalrms, minarea=3, deblend_nthresh=64, deblend_cont=1e-4
    )
    assert len(usual) < found.stars
    assert found.stars == pytest.approx(len(parted), rel=0.1)
    table = DAOStarFinder(threshold=5 * found.noise_adu, fwhm=found.fwhm_px)(light)
    others = np.concatenate(
        [
            np.column_stack([parted["x"], parted["y"]]),
            np.column_stack([table["x_centroid"], table["y_centroid"]]),
        ]
    )
    listed = np.column_stack([found.star_list.x, found.star_list.y])
    gap, _ = cKDTree(others).query(listed)
    assert np.mean(gap < 1.5) > 0.9


@pytest.mark.parametrize(
    "name", ["m13_rice.fits", "m13_gzip.fits", "m13_hcomp.fits", "m13_plio.fits"]
)
def test_compressed_copies_measure_the_same(name):
    """Guards compressed files: same pixels, same result."""
    assert measure_frame(m13(name)) == measure_frame(m13("m13.fits"))


def sep_data() -> Path:
    folder = os.environ.get("RUNLOG_SEP_DATA")
    if not folder or not Path(folder, "image.fits").exists():
        pytest.skip("sep's source data not here: set RUNLOG_SEP_DATA to its data folder")
    return Path(folder)


def test_sep_frame_sky_stars_and_radii_agree_with_sep():
    """Guards a real frame against sep run on it: sky, noise, bright objects, half-flux radius."""
    pixels = fits.getdata(sep_data() / "image.fits", memmap=False).astype(np.float32)
    found = measure_frame(pixels)
    background = sep.Background(pixels)
    light = pixels - background.back()
    objects = sep.extract(light, 3.0, err=background.globalrms)
    assert found.background_adu == pytest.approx(background.globalback, abs=0.2 * found.noise_adu)
    assert found.noise_adu == pytest.approx(background.globalrms, rel=0.06)
    objects = objects[np.argsort(-objects["flux"])][:25]
    radius, _ = sep.flux_radius(light, objects["x"], objects["y"], 6 * objects["a"], 0.5)
    # a deep field of galaxies: its few stars are the small objects, and ours still reads wide
    assert found.hfr_px == pytest.approx(np.percentile(radius, 25), rel=0.25)


def test_sep_frame_finds_what_its_catalogue_lists():
    """Guards detection against the SExtractor catalogue of the same frame.

    The catalogue's brightest compact objects (FWHM column absent: compact by their moments
    X2, Y2 under twice the frame's star) are in our list within 1 px.
    """
    folder = sep_data()
    found = measure_frame(fits.getdata(folder / "image.fits", memmap=False))
    rows = np.loadtxt(folder / "image.cat")
    x, y, size = rows[:, 1] - 1, rows[:, 2] - 1, np.sqrt(rows[:, 5] * rows[:, 6]) ** 0.5
    inside = (x > 6) & (x < 249) & (y > 6) & (y < 249)
    compact = inside & (size < 1.3 * np.percentile(size[inside], 30))
    listed = np.column_stack([found.star_list.x, found.star_list.y])
    gap = np.hypot(*(np.column_stack([x, y])[compact][:, None] - listed[None]).transpose(2, 0, 1))
    assert np.mean(gap.min(axis=1) < 1.5) > 0.8
