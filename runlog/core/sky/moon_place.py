"""Where the Moon stands.

Source: Meeus, Astronomical Algorithms (2nd ed.), chapter 47, all terms of tables 47.A and 47.B,
from memory. The tests hold it against his example 47.a (to the last digit), astropy and ephem.
"""

from typing import NamedTuple

import numpy as np

from runlog.core.sky.earth import Floats, Moments, to_equator

# Multiples of D, M, M', F; then longitude in 1e-6 degrees (sines) and distance in metres (cosines).
_LONGITUDE = np.array([
    (0, 0, 1, 0, 6288774, -20905355), (2, 0, -1, 0, 1274027, -3699111),
    (2, 0, 0, 0, 658314, -2955968), (0, 0, 2, 0, 213618, -569925),
    (0, 1, 0, 0, -185116, 48888), (0, 0, 0, 2, -114332, -3149),
    (2, 0, -2, 0, 58793, 246158), (2, -1, -1, 0, 57066, -152138),
    (2, 0, 1, 0, 53322, -170733), (2, -1, 0, 0, 45758, -204586),
    (0, 1, -1, 0, -40923, -129620), (1, 0, 0, 0, -34720, 108743),
    (0, 1, 1, 0, -30383, 104755), (2, 0, 0, -2, 15327, 10321),
    (0, 0, 1, 2, -12528, 0), (0, 0, 1, -2, 10980, 79661),
    (4, 0, -1, 0, 10675, -34782), (0, 0, 3, 0, 10034, -23210),
    (4, 0, -2, 0, 8548, -21636), (2, 1, -1, 0, -7888, 24208),
    (2, 1, 0, 0, -6766, 30824), (1, 0, -1, 0, -5163, -8379),
    (1, 1, 0, 0, 4987, -16675), (2, -1, 1, 0, 4036, -12831),
    (2, 0, 2, 0, 3994, -10445), (4, 0, 0, 0, 3861, -11650),
    (2, 0, -3, 0, 3665, 14403), (0, 1, -2, 0, -2689, -7003),
    (2, 0, -1, 2, -2602, 0), (2, -1, -2, 0, 2390, 10056),
    (1, 0, 1, 0, -2348, 6322), (2, -2, 0, 0, 2236, -9884),
    (0, 1, 2, 0, -2120, 5751), (0, 2, 0, 0, -2069, 0),
    (2, -2, -1, 0, 2048, -4950), (2, 0, 1, -2, -1773, 4130),
    (2, 0, 0, 2, -1595, 0), (4, -1, -1, 0, 1215, -3958),
    (0, 0, 2, 2, -1110, 0), (3, 0, -1, 0, -892, 3258),
    (2, 1, 1, 0, -810, 2616), (4, -1, -2, 0, 759, -1897),
    (0, 2, -1, 0, -713, -2117), (2, 2, -1, 0, -700, 2354),
    (2, 1, -2, 0, 691, 0), (2, -1, 0, -2, 596, 0),
    (4, 0, 1, 0, 549, -1423), (0, 0, 4, 0, 537, -1117),
    (4, -1, 0, 0, 520, -1571), (1, 0, -2, 0, -487, -1739),
    (2, 1, 0, -2, -399, 0), (0, 0, 2, -2, -381, -4421),
    (1, 1, 1, 0, 351, 0), (3, 0, -2, 0, -340, 0),
    (4, 0, -3, 0, 330, 0), (2, -1, 2, 0, 327, 0),
    (0, 2, 1, 0, -323, 1165), (1, 1, -1, 0, 299, 0),
    (2, 0, 3, 0, 294, 0), (2, 0, -1, -2, 0, 8752),
], dtype=np.float64)  # fmt: skip
# Multiples of D, M, M', F; then latitude in 1e-6 degrees (sines).
_LATITUDE = np.array([
    (0, 0, 0, 1, 5128122), (0, 0, 1, 1, 280602), (0, 0, 1, -1, 277693), (2, 0, 0, -1, 173237),
    (2, 0, -1, 1, 55413), (2, 0, -1, -1, 46271), (2, 0, 0, 1, 32573), (0, 0, 2, 1, 17198),
    (2, 0, 1, -1, 9266), (0, 0, 2, -1, 8822), (2, -1, 0, -1, 8216), (2, 0, -2, -1, 4324),
    (2, 0, 1, 1, 4200), (2, 1, 0, -1, -3359), (2, -1, -1, 1, 2463), (2, -1, 0, 1, 2211),
    (2, -1, -1, -1, 2065), (0, 1, -1, -1, -1870), (4, 0, -1, -1, 1828), (0, 1, 0, 1, -1794),
    (0, 0, 0, 3, -1749), (0, 1, -1, 1, -1565), (1, 0, 0, 1, -1491), (0, 1, 1, 1, -1475),
    (0, 1, 1, -1, -1410), (0, 1, 0, -1, -1344), (1, 0, 0, -1, -1335), (0, 0, 3, 1, 1107),
    (4, 0, 0, -1, 1021), (4, 0, -1, 1, 833), (0, 0, 1, -3, 777), (4, 0, -2, 1, 671),
    (2, 0, 0, -3, 607), (2, 0, 2, -1, 596), (2, -1, 1, -1, 491), (2, 0, -2, 1, -451),
    (0, 0, 3, -1, 439), (2, 0, 2, 1, 422), (2, 0, -3, -1, 421), (2, 1, -1, 1, -366),
    (2, 1, 0, 1, -351), (4, 0, 0, 1, 331), (2, -1, 1, 1, 315), (2, -2, 0, -1, 302),
    (0, 0, 1, 3, -283), (2, 1, 1, -1, -229), (1, 1, 0, -1, 223), (1, 1, 0, 1, 223),
    (0, 1, -2, -1, -220), (2, 1, -1, -1, -220), (1, 0, 1, 1, -185), (2, -1, -2, -1, 181),
    (0, 1, 2, 1, -177), (4, 0, -2, -1, 176), (4, -1, -1, -1, 166), (1, 0, 1, -1, -164),
    (4, 0, 1, -1, 132), (1, 0, -1, -1, -119), (4, -1, 0, -1, 115), (2, -2, 0, 1, 107),
], dtype=np.float64)  # fmt: skip


class MoonPlace(NamedTuple):
    """Ecliptic place for the mean equinox of date; (n,) each."""

    longitude_deg: Floats
    latitude_deg: Floats
    distance_km: Floats


def moon_place(centuries: Floats) -> MoonPlace:
    """Compute where the Moon is as seen from the Earth's centre, (n,), within 10 arcsec."""
    t = centuries
    mean_deg = _polynomial(t, 218.3164477, 481267.88123421, -0.0015786, 1 / 538841, -1 / 65194000)
    angles = np.radians([
        _polynomial(t, 297.8501921, 445267.1114034, -0.0018819, 1 / 545868, -1 / 113065000),  # D
        _polynomial(t, 357.5291092, 35999.0502909, -0.0001536, 1 / 24490000),  # M, the Sun's
        _polynomial(t, 134.9633964, 477198.8675055, 0.0087414, 1 / 69699, -1 / 14712000),  # M'
        _polynomial(t, 93.2720950, 483202.0175233, -0.0036539, -1 / 3526000, 1 / 863310000),  # F
    ])  # fmt: skip
    longitude, distance = _summed(_LONGITUDE, angles, t)
    latitude, _ = _summed(_LATITUDE, angles, t)
    venus, jupiter, third = np.radians([
        119.75 + 131.849 * t, 53.09 + 479264.290 * t, 313.45 + 481266.484 * t,
    ])  # fmt: skip
    mean, anomaly, node = np.radians(mean_deg), angles[2], angles[3]
    longitude += 3958 * np.sin(venus) + 1962 * np.sin(mean - node) + 318 * np.sin(jupiter)
    latitude += (
        -2235 * np.sin(mean) + 382 * np.sin(third) + 350 * np.sin(venus) * np.cos(node)
        + 127 * np.sin(mean - anomaly) - 115 * np.sin(mean + anomaly)
    )  # fmt: skip
    return MoonPlace(mean_deg + longitude / 1e6, latitude / 1e6, 385000.56 + distance / 1e3)


def _polynomial(t: Floats, *coefficients: float) -> Floats:
    return np.asarray(np.polyval(coefficients[::-1], t))


def _summed(table: Floats, angles: Floats, t: Floats) -> tuple[Floats, Floats]:
    """Sum sines times the first amplitude and cosines times the last, M's terms scaled by E."""
    arguments = table[:, :4] @ angles
    eccentricity = _polynomial(t, 1.0, -0.002516, -0.0000074)
    scale = eccentricity ** np.abs(table[:, 1])[:, None]
    sines = (table[:, 4, None] * scale * np.sin(arguments)).sum(axis=0)
    cosines = (table[:, -1, None] * scale * np.cos(arguments)).sum(axis=0)
    return sines, cosines


def moon_km(place: MoonPlace, moments: Moments) -> Floats:
    """Give the apparent Moon on the equator of date from the Earth's centre, (3, n) in km."""
    longitude = np.radians(place.longitude_deg) + moments.nutation
    return to_equator(longitude, np.radians(place.latitude_deg), moments.tilt) * place.distance_km
