"""How a field turns in a camera on a mount whose axis misses the pole, and by refraction.

Local vectors are (east, north, up). Everything is exact rotation of the sphere; to first order it
is, for an axis `up` above and `east` of the pole, hour angle H and declination d,

    turn = -(up sin H + east cos H) / cos d + constant

(position angle of true north in the mount's frame, east positive; derived, and checked in the tests
with rotation matrices).
"""

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

ARCMIN = np.radians(1 / 60)
SIDEREAL_DEG_H = 15.041068  # of hour angle in an hour of the clock
_STEP = 1e-5  # radians, of the differences that tell how refraction turns a field
_LOWEST = np.radians(5.0)  # nearer to the horizon the formula of refraction fails


def stars_at(hour_deg: Floats, dec_deg: Floats, latitude_deg: float) -> Floats:
    """Give unit vectors (n, 3) of places at hour angles (west positive) and declinations (n,)."""
    h, d, phi = np.radians(hour_deg), np.radians(dec_deg), np.radians(latitude_deg)
    east = -np.cos(d) * np.sin(h)
    north = np.sin(d) * np.cos(phi) - np.cos(d) * np.cos(h) * np.sin(phi)
    up = np.sin(d) * np.sin(phi) + np.cos(d) * np.cos(h) * np.cos(phi)
    return np.stack([east, north, up], axis=-1)


def axis_at(up: float, east: float, latitude_deg: float) -> Floats:
    """Give the mount's northern axis (3,): off the true pole, angles in radians on the sky.

    In the south it is the other end of the axis that is seen: there `up` and `east` are of the
    southern end, towards the zenith and the east.
    """
    phi = np.radians(latitude_deg)
    side = 1.0 if latitude_deg >= 0 else -1.0
    pole = side * np.array([0.0, np.cos(phi), np.sin(phi)])
    higher = side * np.array([0.0, -np.sin(phi), np.cos(phi)])
    seen = pole + up * _upward(higher) + east * np.array([1.0, 0.0, 0.0])
    return np.asarray(side * seen / np.linalg.norm(seen))


def _upward(higher: Floats) -> Floats:
    return higher if higher[2] >= 0 else -higher


def field_turn(
    hour_deg: Floats, dec_deg: Floats, latitude_deg: float, up: float, east: float
) -> Floats:
    """Give the position angle of true north in the mount's frame, (n,) radians, east positive."""
    star = stars_at(hour_deg, dec_deg, latitude_deg)
    return -_position_angle(star, axis_at(up, east, latitude_deg), latitude_deg)


def mount_dec(
    hour_deg: Floats, dec_deg: Floats, latitude_deg: float, up: float, east: float
) -> Floats:
    """Give declinations as the mount has them, of stars lifted by refraction, (n,) radians.

    A mount that is not guided keeps its own: to first order and without air, a star's changes by
    up cos H - east sin H (derived, and checked in the tests with rotation matrices).
    """
    star = refracted(stars_at(hour_deg, dec_deg, latitude_deg))
    return np.arcsin(np.clip(star @ axis_at(up, east, latitude_deg), -1, 1))


def turn_rate_unguided(
    hour_deg: Floats, dec_deg: Floats, latitude_deg: float, up: float, east: float
) -> Floats:
    """Give how far a field turns that nothing guides, radians a radian of hour angle.

    Sky and mount turn about two axes; the difference of their turns along the line of sight.
    """
    star = stars_at(hour_deg, dec_deg, latitude_deg)
    apart = axis_at(up, east, latitude_deg) - axis_at(0.0, 0.0, latitude_deg)
    return np.asarray(star @ apart)


def refraction_turn(hour_deg: Floats, dec_deg: Floats, latitude_deg: float) -> Floats:
    """Give how much refraction turns a field on a mount that stands on the true pole, (n,) radians.

    Refraction squeezes the field as well: this is the turn of the similarity that fits best, the
    mean over directions.
    """
    star = stars_at(hour_deg, dec_deg, latitude_deg)
    east, north = _east_north(star, latitude_deg)
    seen = refracted(star)
    east_seen, north_seen = _east_north(seen, latitude_deg)
    turns = []
    for true, along, across in ((north, north_seen, east_seen), (east, east_seen, -north_seen)):
        moved = refracted(star + _STEP * true) - seen
        turns.append(np.arctan2((moved * across).sum(axis=-1), (moved * along).sum(axis=-1)))
    return np.asarray((turns[0] + turns[1]) / 2)


def refracted(star: Floats) -> Floats:
    """Lift vectors (n, 3) by refraction: 58.29" tan z - 0.067" tan^3 z (Meeus, ch. 16)."""
    star = star / np.linalg.norm(star, axis=-1, keepdims=True)
    altitude = np.maximum(np.arcsin(np.clip(star[..., 2], -1, 1)), _LOWEST)
    tangent = 1 / np.tan(altitude)
    lift = np.radians((58.29 * tangent - 0.067 * tangent**3) / 3600)
    zenith = np.array([0.0, 0.0, 1.0])
    higher = zenith - star[..., 2:] * star
    size = np.linalg.norm(higher, axis=-1, keepdims=True)
    higher = higher / np.where(size > 0, size, 1.0)
    return np.asarray(star * np.cos(lift)[..., None] + higher * np.sin(lift)[..., None])


def altitude_deg(hour_deg: Floats, dec_deg: Floats, latitude_deg: float) -> Floats:
    """Give geometric altitudes, (n,) degrees."""
    up = stars_at(hour_deg, dec_deg, latitude_deg)[..., 2]
    return np.asarray(np.degrees(np.arcsin(np.clip(up, -1, 1))))


def _east_north(star: Floats, latitude_deg: float) -> tuple[Floats, Floats]:
    """Give the directions of rising right ascension and declination at places, (n, 3) each."""
    phi = np.radians(latitude_deg)
    pole = np.array([0.0, np.cos(phi), np.sin(phi)])
    east = np.cross(np.broadcast_to(pole, star.shape), star)
    east = east / np.linalg.norm(east, axis=-1, keepdims=True)
    return east, np.cross(star, east)


def _position_angle(star: Floats, towards: Floats, latitude_deg: float) -> Floats:
    """Give in which direction from places another lies, from north through east, (n,) radians."""
    east, north = _east_north(star, latitude_deg)
    return np.arctan2(east @ towards, north @ towards)
