"""The field map against fields drawn with a tilt, a curvature, and shapes that turn."""

import numpy as np
import pytest

from runlog.measure import measure_frame
from tests.measure.fields import draw_warped, moffat, truth_of


def pixel_width(fwhm_px, axis_ratio=1.0):
    """FWHM of a Moffat once the pixel has sampled it, drawn by GalSim."""
    return truth_of(moffat(fwhm_px, 3.2, axis_ratio)).fwhm_px


def zone_centres():
    """(u, v) of the nine zones, row by row from the origin."""
    return [(u / 3, v / 3) for v in (-1, 0, 1) for u in (-1, 0, 1)]


def test_a_tilted_frame_shows_its_plane():
    """Guards zones, tilt and curvature: FWHM 3.2 px left to 4.8 px right, nothing up and down.

    Tilt is the plane's span over the frame's median width; a plane has no curvature.
    """
    found = measure_frame(draw_warped(lambda u, v: moffat(4.0 + 1.6 * u, 3.2), seed=31)).field
    for zone, (u, _) in zip(found.zones, zone_centres(), strict=True):
        assert zone.fwhm_px == pytest.approx(pixel_width(4.0 + 1.6 * u), rel=0.03)
    span = pixel_width(4.8) - pixel_width(3.2)
    assert found.tilt == pytest.approx(span / pixel_width(4.0), abs=0.03)
    assert abs(found.curvature) < 0.03


def test_a_slanted_tilt_is_the_span_from_corner_to_corner():
    """Guards tilts that run along a diagonal: the plane's span is that between two corners."""
    found = measure_frame(draw_warped(lambda u, v: moffat(4.0 + 0.8 * u - 0.8 * v, 3.2), seed=32))
    span = pixel_width(4.8) - pixel_width(3.2)
    assert found.field.tilt == pytest.approx(span / pixel_width(4.0), abs=0.03)


def test_a_curved_field_rises_to_its_corners():
    """Guards curvature: 3.2 px in the middle, 4.8 px in the corners, rising with r^2; no tilt."""
    found = measure_frame(
        draw_warped(lambda u, v: moffat(3.2 + 1.6 * (u * u + v * v) / 0.5, 3.2), seed=33, stars=700)
    ).field
    rise = pixel_width(4.8) / pixel_width(3.2) - 1
    assert found.curvature == pytest.approx(rise, abs=0.04)
    assert found.tilt < 0.03
    assert found.zones[4].fwhm_px == min(zone.fwhm_px for zone in found.zones)
    # mean of u^2 over an outer third is 13/108; the median of 45 widths spread over 30 % is
    # known to 3 %
    corner = pixel_width(3.2 + 1.6 * (2 * 13 / 108) / 0.5)
    for k in (0, 2, 6, 8):
        assert found.zones[k].fwhm_px == pytest.approx(corner, rel=0.06)


def test_shapes_that_point_outwards_are_told_zone_by_zone():
    """Guards eccentricity and angle of each zone where the frame's mean is round.

    Axis ratio 0.7 in the corners (e 0.71), pointing away from the centre.
    """

    def outwards(u, v):
        ratio = 1 - 0.3 * (u * u + v * v) / 0.5
        return moffat(4.0, 3.2, ratio, float(np.degrees(np.arctan2(v * 3, u * 4))))

    found = measure_frame(draw_warped(outwards, seed=34, stars=700))
    assert found.eccentricity < 0.25
    worst = 0.0
    for zone, (u, v) in zip(found.field.zones, zone_centres(), strict=True):
        ratio = 1 - 0.3 * (u * u + v * v) / 0.5
        expected = np.sqrt(1 - truth_of(moffat(4.0, 3.2, ratio)).axis_ratio ** 2)
        if u or v:
            assert zone.eccentricity == pytest.approx(expected, abs=0.08)
            outward = np.degrees(np.arctan2(v * 3, u * 4))
            assert abs((zone.elongation_deg - outward + 90) % 180 - 90) < 12
        worst = max(worst, zone.eccentricity)
    assert found.field.worst_eccentricity == pytest.approx(worst)
