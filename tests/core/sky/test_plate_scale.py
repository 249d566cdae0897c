"""Plate scale."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.sky.plate_scale import ARCSEC_PER_RADIAN, plate_scale_arcsec


def test_plate_scale_of_27_um_at_7475_mm():
    """27 um pixels at 7475 mm see 0.7450 arcsec: 206.264806 x 27 / 7475."""
    assert pytest.approx(206264.806, abs=1e-3) == ARCSEC_PER_RADIAN
    assert plate_scale_arcsec(27.0, 7475.0) == pytest.approx(0.7450, abs=5e-5)


@given(st.floats(100, 5000), st.floats(0.5, 2.5))
def test_a_reducer_coarsens_the_scale_by_its_factor(focal_mm, factor):
    """A reducer shortens the focal length by its factor (common practice, no source)."""
    scale = plate_scale_arcsec(3.76, factor * focal_mm)
    assert scale * factor == pytest.approx(plate_scale_arcsec(3.76, focal_mm))
