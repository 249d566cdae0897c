"""The Moon's phase.

Meeus, Astronomical Algorithms (2nd ed.), chapter 48, from memory; his example is in the tests.
"""

from collections.abc import Sequence
from datetime import datetime

import numpy as np

from runlog.core.sky.earth import Floats, moments_of
from runlog.core.sky.moon_place import moon_place
from runlog.core.sky.sun import sun_place

DIGITS = 6  # of degrees: no number may depend on how many moments are reckoned at once


def moon_phase_angles_deg(times: Sequence[datetime]) -> Floats:
    """Compute the Moon's phase angle, (n,) degrees, for n timezone-aware moments."""
    return phase_angles_deg(moments_of(times).centuries)


def phase_angles_deg(centuries: Floats) -> Floats:
    """Compute the Moon's phase angle, (n,) degrees, for centuries (n,) of TT since J2000.

    Meeus, Astronomical Algorithms (2nd ed.), 48.2 and 48.3, as seen from the Earth's centre.
    """
    moon, sun = moon_place(centuries), sun_place(centuries)
    latitude = np.radians(moon.latitude_deg)
    apart = np.cos(latitude) * np.cos(np.radians(moon.longitude_deg) - sun.longitude)
    apart = np.arccos(np.clip(apart, -1, 1))
    angle = np.arctan2(
        sun.distance_km * np.sin(apart), moon.distance_km - sun.distance_km * np.cos(apart)
    )
    return np.asarray(np.round(np.degrees(angle), DIGITS))


def lit_share(phase_deg: Floats | float) -> Floats:
    """Give the share of the Moon's disc that is lit (Meeus 48.1) by its phase angle in degrees."""
    return np.asarray((1 + np.cos(np.radians(phase_deg))) / 2)
