"""Headers of real frames, held against astropy and against what each header says to the eye.

The frames are no part of the repository: see `tests.real`.
"""

import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest
from astropy.io import fits
from astropy.wcs import WCS
from astropy.wcs.utils import proj_plane_pixel_scales

from runlog.core.frame import Card, FrameHeader, Kind, Shape
from runlog.core.header.parse import parse_header
from runlog.core.targets.names import TargetNames
from tests.real import real_frames

ENDINGS = ("*.fits.gz", "*.fit.gz", "*.fits.fz", "*.fits.bz2")

# Read by eye: OBJECT, FILTER, ESO INS FILT1 NAME, FILTERI3 COUS-IC-180; the file's name of M 13.
BY_EYE = {
    "EFOSC.2022-01-28T05-05-25.843.fits.gz": ("Q1010-0100", "g'"),
    "EFOSC.2022-01-28T08-40-27.113.fits.gz": ("J123410-332638", "g'"),
    "ISAAC.2006-04-13.fits.gz": ("PSR-J1740-3052", "NB_2.25"),
    "M13_blue_0001.fits.gz": ("M 13", "B"),
    "M13_blue_0004.fits.gz": ("M 13", "B"),
    "aligned_eso085-030-005.fit.gz": ("eso085-030", "Clear"),
    "c4d_170316_062107_ooi_z_ls9.N2.fits.gz": ("DECaLS 25440", "z'"),
    "cloudynight_000.fits.bz2": ("(no name)", None),
    "cpt1m012-fl10-20151216-0075-s00.fits.fz": ("S82 01", "Ic"),
    "deep2g_ra352_1-ccd1.fits.gz": ("deep2g ra352 1", "g'"),
    "k4m_160319_075112_ooi_zd_ls9.CCD3.fits.gz": ("MzLS 684979", "z'"),
    "mef_raw_test_frame.fits.gz": ("2021 SO2", "w"),
    "pix.fits.gz": ("M 51", "B"),
}


def image_headers(folder: Path) -> Iterator[tuple[Path, fits.Header]]:
    """Give the header of each frame's first image, with the primary header's cards behind it."""
    for path in sorted(path for ending in ENDINGS for path in folder.rglob(ending)):
        with fits.open(path) as hdus:
            image = next((h for h in hdus if h.header.get("NAXIS1", 0) > 1 and h.is_image), hdus[0])
            header = image.header.copy()
            if image is not hdus[0]:
                header.extend(hdus[0].header, unique=True)
        yield path, header


def read(path: Path, header: fits.Header) -> FrameHeader:
    """Parse a header as astropy gives it."""
    cards = [
        Card(c.keyword, None if isinstance(c.value, fits.card.Undefined) else c.value, c.comment)
        for c in header.cards
    ]
    shape = Shape(header.get("NAXIS1", 1), header.get("NAXIS2", 1))
    return parse_header(cards, shape, path.parts[-3:])


def celestial_scale(header: fits.Header) -> float | None:
    """Give astropy's scale in arc seconds; None where the header has no celestial coordinates."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for keyword in [k for k in header if k.startswith(("PV1_", "PV2_"))]:
            del header[keyword]  # distortion terms, no part of the linear scale
        found = WCS(header)
        if not found.has_celestial:
            return None
        scales = proj_plane_pixel_scales(found.celestial) * 3600
    return float((scales[0] * scales[1]) ** 0.5)


def test_scales_of_real_frames_agree_with_astropy():
    """Guards fwhm_arcsec: every frame with celestial coordinates has astropy's scale."""
    compared = 0
    for path, header in image_headers(real_frames()):
        expected = celestial_scale(header.copy())
        if expected is not None:
            assert read(path, header).arcsec_per_px == pytest.approx(expected, rel=1e-4), path.name
            compared += 1
    assert compared


def test_targets_filters_and_kinds_of_real_frames():
    """Guards what each known header says; each of these is a light."""
    for path, header in image_headers(real_frames()):
        if path.name in BY_EYE:
            found = read(path, header)
            assert found.kind is Kind.LIGHT
            assert (TargetNames().fold(found.target).name, found.filter) == BY_EYE[path.name], (
                path.name
            )


def test_nearly_every_real_frame_has_a_scale():
    """Guards against blanks: only frames whose headers tell nothing of it have none."""
    found = {p.name: read(p, header).arcsec_per_px for p, header in image_headers(real_frames())}
    blank = [name for name, scale in found.items() if scale is None]
    assert len(blank) <= 0.1 * len(found), blank
