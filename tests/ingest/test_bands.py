"""Pixels read some rows at a time are those that astropy reads in one piece."""

import os
import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from runlog.ingest import decode
from runlog.ingest import fits as reader
from runlog.ingest.fingerprint import content_key
from runlog.measure import measure_frame, measure_level

RNG = np.random.default_rng(5)
FRAMES = {
    "uint16": RNG.integers(0, 65535, (61, 47)).astype(np.uint16),
    "three planes": RNG.normal(size=(3, 31, 20)).astype(np.float32),
    "idle axes": RNG.integers(-9, 9, (1, 1, 40, 30)).astype(np.int32),
    "bytes": RNG.integers(0, 255, (50, 40)).astype(np.uint8),
    "flat": RNG.normal(size=(16, 70)),
}


def _pixels(path: Path) -> np.ndarray[Any, Any]:
    with reader.open_frame(os.fsencode(path)) as opened:
        return opened.pixels()


@pytest.mark.parametrize("suffix", [".fits", ".fits.gz"])
@pytest.mark.parametrize("name", FRAMES)
def test_the_same_as_in_one_piece(
    name: str, suffix: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Bands of any height, the last one short, give astropy's values and type."""
    monkeypatch.setattr(decode, "BAND_PIXELS", 700)
    path = tmp_path / f"frame{suffix}"
    fits.writeto(path, FRAMES[name])
    whole = fits.getdata(path)
    assert _pixels(path).dtype == whole.dtype.newbyteorder("=")
    assert np.array_equal(_pixels(path).reshape(whole.shape), whole)


@pytest.mark.parametrize("scale", [1.0, 2.5])
def test_blank_pixels_below_the_first_band(
    scale: float, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A BLANK value (FITS Standard 4.0, section 4.4.2.5) far down is a NaN, as in one piece."""
    monkeypatch.setattr(decode, "BAND_PIXELS", 100)
    stored = np.arange(600, dtype=">i2").reshape(30, 20)
    stored[25, 3] = -32768
    path = tmp_path / "blank.fits"
    hdu = fits.PrimaryHDU(stored)
    hdu.header.update(BLANK=-32768, BSCALE=scale, BZERO=7.0)
    fits.HDUList([hdu]).writeto(path)
    assert np.isnan(_pixels(path)[25, 3])
    assert np.array_equal(_pixels(path), fits.getdata(path), equal_nan=True)


def test_never_twice_in_memory(tmp_path: Path) -> None:
    """Reading takes a third more than the frame at most: a plain read takes twice as much."""
    path = tmp_path / "large.fits"
    fits.writeto(path, np.zeros((4000, 4500), np.uint16))
    tracemalloc.start()
    try:
        frame = _pixels(path)
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert frame.nbytes <= most < 1.35 * frame.nbytes


@pytest.mark.parametrize("value", [0.0, 1234.5, np.nan])
def test_no_copy_is_made_of_a_whole_frame(value: float) -> None:
    """Key, measures and levels of a frame that is all of one value, doubles, take a few rows."""
    pixels = np.full((3, 1600, 1600), value)
    tracemalloc.start()
    content_key(pixels, "")
    measure_frame(pixels)
    measure_level(pixels)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 0.6 * pixels.nbytes
