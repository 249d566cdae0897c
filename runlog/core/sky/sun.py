"""Where the Sun stands.

Source: Meeus, Astronomical Algorithms (2nd ed.), chapter 25, with the five largest perturbations
of the planets and the Moon of his Astronomical Formulae for Calculators, chapter 18; both from
memory. The tests hold it against his example 25.a, astropy, ephem and the USNO's tables.
"""

from typing import NamedTuple

import numpy as np

from runlog.core.sky.earth import Floats, Moments, to_equator

KM_AN_AU = 149_597_870.7
# Degrees, then degrees at J2000 and a century: pulls of Venus (two), Jupiter, the Moon, and the
# long inequality of Jupiter and Saturn.
_PULLS = (
    (0.00134, 81.98, 22518.7541), (0.00154, 344.08, 45037.5082), (0.00200, 247.05, 32964.3577),
    (0.00179, 297.85, 445267.1142), (0.00178, 251.39, 20.20),
)  # fmt: skip


class SunPlace(NamedTuple):
    """True ecliptic longitude of the mean equinox of date in radians, distance in km; (n,)."""

    longitude: Floats
    distance_km: Floats


def sun_place(centuries: Floats) -> SunPlace:
    """Compute where the Sun is as seen from the Earth's centre, (n,), within 0.004 degrees."""
    t = centuries
    anomaly = np.radians(357.52911 + t * (35999.05029 - 0.0001537 * t))
    centre_deg = (
        (1.914602 - t * (0.004817 + 0.000014 * t)) * np.sin(anomaly)
        + (0.019993 - 0.000101 * t) * np.sin(2 * anomaly)
        + 0.000289 * np.sin(3 * anomaly)
    )
    eccentricity = 0.016708634 - t * (0.000042037 + 0.0000001267 * t)
    radius = (
        1.000001018 * (1 - eccentricity**2)
        / (1 + eccentricity * np.cos(anomaly + np.radians(centre_deg)))
    )  # fmt: skip
    mean_deg = 280.46646 + t * (36000.76983 + 0.0003032 * t)
    longitude = np.radians(mean_deg + centre_deg + _pulled_deg(t))
    return SunPlace(longitude, radius * KM_AN_AU)


def _pulled_deg(t: Floats) -> Floats:
    return np.asarray(sum(a * np.sin(np.radians(at + rate * t)) for a, at, rate in _PULLS))


def sun_km(place: SunPlace, moments: Moments) -> Floats:
    """Give the apparent Sun on the equator of date from the Earth's centre, (3, n) in km."""
    aberration = np.radians(-20.4898 / 3600) * KM_AN_AU / place.distance_km
    longitude = place.longitude + moments.nutation + aberration
    return to_equator(longitude, np.zeros_like(longitude), moments.tilt) * place.distance_km
