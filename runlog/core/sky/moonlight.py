"""How brightly the Moon lights the sky at a place: the model of Krisciunas and Schaefer.

Krisciunas and Schaefer 1991, PASP 103, 1033; V band, by their own account good to 8 to 23 %. It
says nothing of narrow bands. Their example is in the tests.
"""

from collections.abc import Sequence
from datetime import datetime
from math import acos, cos, degrees, log, radians, sin

import numpy as np

from runlog.core.frame import Frame
from runlog.core.sky.earth import Floats, moments_of
from runlog.core.sky.moon_place import moon_place
from runlog.core.sky.sun import sun_place

V_EXTINCTION_MAG = 0.172  # a clear site's, from their paper (from memory)
MOONLESS_NL = 100.0  # nanolamberts; a dark sky has some 60 to 80
NEAREST_DEG = 10.0  # nearer to the Moon their formula is another, and theirs alone
DIGITS = 6  # of degrees: no number may depend on how many moments are reckoned at once


def moonlight_nl(
    phase_angle_deg: float,
    separation_deg: float,
    moon_zenith_deg: float,
    zenith_deg: float,
    extinction_mag: float = V_EXTINCTION_MAG,
) -> float:
    """Compute the sky's brightness by moonlight alone, in nanolamberts.

    Parameters
    ----------
    phase_angle_deg : 0 at full Moon, 180 at new.
    separation_deg : between the Moon and the place looked at.
    moon_zenith_deg, zenith_deg : zenith distances of the Moon and of the place, below 90; a Moon
        that has set gives 0.
    extinction_mag : magnitudes an airmass, V band.
    """
    if moon_zenith_deg >= 90:
        return 0.0
    a = abs(phase_angle_deg)
    illuminance = 10 ** (-0.4 * (3.84 + 0.026 * a + 4e-9 * a**4))
    reaching = 10 ** (-0.4 * extinction_mag * _airmass(moon_zenith_deg))
    scattered = 1 - 10 ** (-0.4 * extinction_mag * _airmass(zenith_deg))
    return float(_scattering(separation_deg) * illuminance * reaching * scattered)


def surface_brightness_mag(nanolamberts: float) -> float:
    """Turn nanolamberts into V magnitudes per square arc second (their equation 1)."""
    return (20.7233 - log(nanolamberts / 34.08)) / 0.92104


def _scattering(separation_deg: float) -> float:
    rayleigh = 10**5.36 * (1.06 + cos(radians(separation_deg)) ** 2)
    if separation_deg < NEAREST_DEG:
        return float(rayleigh + 6.2e7 / max(separation_deg, 0.25) ** 2)  # no nearer than its limb
    return float(rayleigh + 10 ** (6.15 - separation_deg / 40))


def _airmass(zenith_deg: float) -> float:
    return float((1 - 0.96 * sin(radians(min(zenith_deg, 90.0))) ** 2) ** -0.5)


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


def moonlight_of(frames: Sequence[Frame]) -> list[float | None]:
    """Compute the moonlight at each frame's place, in nanolamberts; None where it is not known."""
    lit = [i for i, frame in enumerate(frames) if (frame.context.moon_alt_deg or 0.0) > 0]
    dated = {i: at for i in lit if (at := frames[i].header.taken_at_utc) is not None}
    angles = dict(zip(dated, moon_phase_angles_deg(list(dated.values())), strict=True))
    return [_moonlight(frame, angles.get(i)) for i, frame in enumerate(frames)]


def _moonlight(frame: Frame, phase_angle_deg: float | None) -> float | None:
    up_deg, apart_deg = frame.context.moon_alt_deg, frame.context.moon_sep_deg
    if up_deg is None:
        return None
    if up_deg <= 0:
        return 0.0
    airmass = frame.context.airmass
    if phase_angle_deg is None or apart_deg is None or airmass is None:
        return None
    zenith_deg = degrees(acos(1 / max(airmass, 1.0)))  # of a plane atmosphere: it is enough here
    return moonlight_nl(float(phase_angle_deg), apart_deg, 90 - up_deg, zenith_deg)
