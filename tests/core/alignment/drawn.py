"""Star fields seen by a mount that misses the pole, by rotation matrices alone.

Nothing here is the project's: scipy turns the sphere, refraction's constants are ERFA's, and a
frame's angle is found by least squares on the stars' places.
"""

from datetime import UTC, datetime, timedelta

import erfa
import numpy as np
from scipy.spatial.transform import Rotation

from runlog.core.frame import Context, Frame, FrameHeader, Identity, Kind, Measurement, Placement

BEGIN = datetime(2026, 10, 9, 18, tzinfo=UTC)
GREENWICH_DEG, DAY_DEG = 280.46061837, 360.98564736629  # Meeus 12.4
J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)
A, B = erfa.refco(1013.25, 10.0, 0.5, 0.55)  # hPa, C, humidity, um: radians


def sky_to_ground(vectors, hours_deg, latitude_deg):
    """Turn (n, 3) vectors of hour angle and declination into (north, west, up)."""
    turned = Rotation.from_euler("z", -hours_deg, degrees=True).apply(vectors)
    return Rotation.from_euler("y", -(90 - latitude_deg), degrees=True).apply(turned) * [-1, -1, 1]


def seen(vectors):
    """Lift vectors by refraction."""
    z = np.arccos(np.clip(vectors[:, 2], -1, 1))
    lift = A * np.tan(z) + B * np.tan(z) ** 3
    flat = vectors * [1, 1, 0]
    flat /= np.linalg.norm(flat, axis=1, keepdims=True)
    return flat * np.sin(z - lift)[:, None] + np.array([0, 0, 1.0]) * np.cos(z - lift)[:, None]


def axis(up_arcmin, east_arcmin, latitude_deg):
    """Turn the elevated pole by angles towards the zenith and the east: (north, west, up)."""
    south = latitude_deg < 0
    pole = np.array([np.cos(np.radians(latitude_deg)), 0, np.sin(np.radians(latitude_deg))])
    pole = -pole if south else pole
    tilt = Rotation.from_rotvec(np.radians(up_arcmin / 60) * np.array([0, 1 if south else -1, 0]))
    higher = tilt.apply(pole)
    zenithward = np.cross(higher, [0, 1, 0]) * (-1 if not south else 1)
    about = zenithward / np.linalg.norm(zenithward)
    turn = Rotation.from_rotvec(np.radians(east_arcmin / 60) * about)
    there = turn.apply(higher)
    if there[1] * east_arcmin > 0:  # west is positive: the other way
        there = turn.inv().apply(higher)
    return -there if south else there


def angles(hours_deg, dec_deg, latitude_deg, up, east, *, refract=True, mirrored=False):
    """Give how frames lie on the first, degrees from +x to +y; the star in the middle is guided."""
    random = np.random.default_rng(11)
    # Every way alike: refraction's squeeze would turn the fit to stars that lie along one line.
    off = np.radians(random.uniform(-0.6, 0.6, (60, 2)))
    off = np.vstack([off, off[:, ::-1] * [1, -1], -off, off[:, ::-1] * [-1, 1]])
    dec = np.radians(dec_deg)
    middle = np.array([np.cos(dec), 0, np.sin(dec)])
    east_, north_ = np.array([0, 1.0, 0]), np.array([-np.sin(dec), 0, np.cos(dec)])
    stars = middle + off[:, :1] * east_ + off[:, 1:] * north_
    stars = np.vstack([middle, stars / np.linalg.norm(stars, axis=1, keepdims=True)])
    pole = axis(up, east, latitude_deg)
    places = []
    for hour in hours_deg:
        ground = sky_to_ground(stars, hour, latitude_deg)
        ground = seen(ground) if refract else ground
        to_pole = pole - (pole @ ground[0]) * ground[0]
        y = to_pole / np.linalg.norm(to_pole)
        x = np.cross(ground[0], y)  # in this left-handed frame: west, so that east is left
        flat = ground[1:] / (ground[1:] @ ground[0])[:, None]
        across = flat @ x if not mirrored else -(flat @ x)
        places.append(across + 1j * (flat @ y))
    first = places[0] - places[0].mean()
    found = [np.angle(np.vdot(first, p - p.mean())) for p in places]
    return np.degrees(np.unwrap(found))


def frames(
    hours_deg, turned_deg, dec_deg, *, longitude_deg=16.0, latitude_deg=50.0, side="west",
    exposure_s=300.0, night="2026-10-09", reference="r", **header,
):  # fmt: skip
    """Make frames at hour angles, laid on one reference with these angles."""
    days = (BEGIN - J2000).total_seconds() / 86400
    ra = (GREENWICH_DEG + DAY_DEG * days + longitude_deg - hours_deg[0]) % 360
    found = []
    for n, (hour, turn) in enumerate(zip(hours_deg, turned_deg, strict=True)):
        passed = timedelta(seconds=float(hour - hours_deg[0]) / DAY_DEG * 86400)
        start = BEGIN + passed - timedelta(seconds=exposure_s / 2)
        values = {"ra_deg": ra, "dec_deg": dec_deg, "pier_side": side, "exposure_s": exposure_s}
        found.append(
            Frame(
                Identity(f"{night}{side}{n:04d}", width=4000, height=3000),
                FrameHeader(Kind.LIGHT, "header", taken_at_utc=start, **(values | header)),
                Measurement(),
                Context(Kind.LIGHT, "header", night=night, rig="rig", filter="L"),
                Placement(matched_to=reference, rotation_deg=float(turn)),
            )
        )
    return found
