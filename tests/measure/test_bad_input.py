"""Frames that hold no measurable stars: a result with a reason, never an exception."""

import numpy as np
import pytest

from runlog.core.frame import Measurement
from runlog.measure import measure_frame, measure_level
from tests.measure.fields import Sensor, draw_field, moffat

STARS = draw_field(moffat(2.5), seed=5, stars=100, height=300, width=400).pixels


def with_nan(share):
    pixels = STARS.astype(np.float32)
    pixels[np.random.default_rng(0).random(pixels.shape) < share] = np.nan
    return pixels


def with_hole():
    pixels = STARS.astype(float)
    pixels[100:200] = np.nan
    return pixels


EMPTY = {
    "no rows": np.zeros((0, 0)),
    "no columns": np.zeros((5, 0)),
    "empty planes": np.zeros((3, 0, 10)),
    "one dimension": np.zeros(9),
    "four dimensions": np.zeros((2, 2, 2, 2)),
    "complex": STARS.astype(complex),
    "all zero": np.zeros((100, 100), np.uint16),
    "uniform": np.full((100, 100), 7.5),
    "saturated": np.full((100, 100), 65535, np.uint16),
    "nearly all saturated": np.where(
        np.random.default_rng(1).random((300, 400)) < 0.01, 100, 65535
    ).astype(np.uint16),
    "one row": STARS[:1],
    "one column": STARS[:, :1],
    "three rows": STARS[:3],
    "all NaN": np.full((50, 50), np.nan),
    "all infinite": np.full((50, 50), np.inf),
    "inverted": (65535 - STARS).astype(np.uint16),
    "negative": -STARS.astype(np.int32),
    "noise": np.random.default_rng(2).normal(1000, 10, (300, 400)),
}


@pytest.mark.parametrize("name", EMPTY)
def test_nothing_to_measure_gives_a_reason_and_no_width(name):
    """Guards bad frames: no stars, no width, and a note that says why."""
    found = measure_frame(EMPTY[name])
    assert isinstance(found, Measurement)
    assert found.stars == 0
    assert found.fwhm_px is None and found.eccentricity is None and found.hfr_px is None
    assert found.notes


@pytest.mark.parametrize("name", EMPTY)
def test_levels_of_bad_frames_do_not_raise(name):
    """Guards calibration frames of any content."""
    measure_level(EMPTY[name], ceiling_adu=65535)


WORKABLE = {
    "a third NaN": with_nan(0.3),
    "a stripe of NaN": with_hole(),
    "bright pixels infinite": np.where(STARS > 3000, np.inf, STARS),
    "tiny values": STARS * 1e-30,
    "huge values": STARS * 1e30,
    "beyond float32": STARS * 1e300,
    "half read out": np.where(np.arange(300)[:, None] < 150, 0, STARS),
    "unknown mosaic": STARS,
}


@pytest.mark.parametrize("name", WORKABLE)
def test_damaged_frames_give_the_width_or_none(name):
    """Guards damaged frames: a width is either near the truth (8 %) or absent."""
    found = measure_frame(WORKABLE[name], bayer="XYZW")
    assert found.fwhm_px is None or found.fwhm_px == pytest.approx(2.65, rel=0.08)


def test_notes_name_what_is_missing():
    """Guards the reasons a person reads."""
    assert any("not finite" in note for note in measure_frame(WORKABLE["a third NaN"]).notes)
    assert any("blank" in note for note in measure_frame(WORKABLE["half read out"]).notes)
    assert any("saturated" in note for note in measure_frame(EMPTY["saturated"]).notes)
    assert any("uniform" in note for note in measure_frame(EMPTY["uniform"]).notes)


def test_a_single_star_is_measured_among_cosmic_rays():
    """Guards the smallest case: one star gives its width, with cosmic rays all around."""
    drawn = draw_field(
        moffat(2.5), seed=1, height=300, width=400, snr_range=(500, 501),
        given=(np.array([200.3]), np.array([150.7]), np.array([54000.0])), sensor=Sensor(),
    )  # fmt: skip
    found = measure_frame(drawn.pixels)
    assert found.stars == 1
    assert found.fwhm_px == pytest.approx(drawn.truth.fwhm_px, rel=0.04)
    assert found.star_list.x[0] == pytest.approx(200.3, abs=0.15)
    assert found.star_list.y[0] == pytest.approx(150.7, abs=0.15)
