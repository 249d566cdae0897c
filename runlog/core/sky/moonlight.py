"""How brightly the Moon lights the sky at a place: the model of Krisciunas and Schaefer.

Krisciunas and Schaefer 1991, PASP 103, 1033; V band, by their own account good to 8 to 23 %. It
says nothing of narrow bands. Their example is in the tests.
"""

from collections.abc import Sequence
from datetime import datetime
from math import acos, cos, degrees, log, radians, sin

from runlog.core.frame import Frame
from runlog.core.sky.sidereal import days_since_j2000

V_EXTINCTION_MAG = 0.172  # a clear site's, from their paper (from memory)
MOONLESS_NL = 100.0  # nanolamberts; a dark sky has some 60 to 80
NEAREST_DEG = 10.0  # nearer to the Moon their formula is another, and theirs alone


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


def quick_phase_angle_deg(moment: datetime) -> float:
    """Compute the Moon's phase angle, degrees, within 0.5 degrees: enough for its light.

    Meeus, Astronomical Algorithms (2nd ed.), 48.4, from memory, with the greatest term of the
    latitude (table 47.B), without which a full Moon would be too full. `moon_phase` has it to the
    last digit, at the price of arrays, for which the morning should not wait.
    """
    t = days_since_j2000(moment) / 36525
    apart, sun, moon, node = (
        radians(at + rate * t)
        for at, rate in (
            (297.8501921, 445267.1114034),  # D, the mean elongation
            (357.5291092, 35999.0502909),  # M, the Sun's anomaly
            (134.9633964, 477198.8675055),  # M', the Moon's
            (93.2720950, 483202.0175233),  # F, from the node
        )
    )
    longitude = apart + radians(
        6.289 * sin(moon) - 2.100 * sin(sun) + 1.274 * sin(2 * apart - moon)
        + 0.658 * sin(2 * apart) + 0.214 * sin(2 * moon)
    )  # fmt: skip
    elongation_deg = degrees(acos(cos(radians(5.128) * sin(node)) * cos(longitude)))
    return 180 - elongation_deg - 0.147 * sin(radians(elongation_deg))


def moonlight_of(frames: Sequence[Frame]) -> list[float | None]:
    """Compute the moonlight at each frame's place, in nanolamberts; None where it is not known."""
    return [_moonlight(frame) for frame in frames]


def _moonlight(frame: Frame) -> float | None:
    up_deg, apart_deg = frame.context.moon_alt_deg, frame.context.moon_sep_deg
    if up_deg is None:
        return None
    if up_deg <= 0:
        return 0.0
    airmass, at = frame.context.airmass, frame.header.taken_at_utc
    if at is None or apart_deg is None or airmass is None:
        return None
    zenith_deg = degrees(acos(1 / max(airmass, 1.0)))  # of a plane atmosphere: it is enough here
    return moonlight_nl(quick_phase_angle_deg(at), apart_deg, 90 - up_deg, zenith_deg)
