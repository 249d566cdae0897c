"""Star fields seen by a camera on a mount that misses the pole, guided or not.

Nothing here is the project's: the sphere is turned by scipy, the air is ERFA's, and each frame is
laid on another by least squares on the stars' places, as complex numbers.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from runlog.core.frame import Placement
from tests.core.alignment.drawn import axis, frames, seen, sky_to_ground

ARCSEC = np.radians(1 / 3600)


@dataclass(frozen=True)
class Mount:
    """A mount, what holds it on the sky, and the camera on it."""

    up: float = 5.0  # arcmin
    east: float = -3.0
    latitude: float = 50.0
    dec: float = 40.0
    guided: bool = False
    guide_star: tuple = (0.0, 0.3)  # degrees east and north of the middle
    worm_arcsec: float = 12.0  # periodic error in right ascension, of seven minutes
    rate_arcsec_h: float = 0.0  # error of the tracking
    dither_px: float = 0.0  # about a place; frame by frame
    walk_px: float = 0.0  # from where it stands; frame by frame
    every: int = 1  # frames from dither to dither
    flexure_arcsec_h: tuple = (0.0, 0.0)  # east and north
    seeing_arcsec: float = 0.3
    turn_arcsec: float = 2.0  # scatter of angles
    camera_deg: float = 25.0  # of its y axis, from the mount's north through east
    mirrored: bool = False
    arcsec_per_px: float = 1.5


def looked(mount, hours_deg, random):
    """Give rotation_deg, shift_x, shift_y of frames on the first, and that one's matrix.

    From the first frame on, the telescope follows its own axis at the sidereal rate, or keeps its
    guide star where it was.
    """
    pole = axis(mount.up, mount.east, mount.latitude)  # the northern end: (north, west, up)
    stars = _stars(mount)
    begin = hours_deg[0]
    first = seen(sky_to_ground(stars[:1], begin, mount.latitude))[0]
    moved, bent = _moves(mount, (hours_deg - begin) / 15.041, random)
    places, guide, north = [], [], []
    for hour, move, bend in zip(hours_deg, moved, bent, strict=True):
        ground = seen(sky_to_ground(stars, hour, mount.latitude))
        followed = Rotation.from_rotvec(-np.radians(hour - begin) * pole).apply(first)
        if mount.guided:
            followed = ground[0]
            guide.append(_in_view(ground, followed, pole)[1])
            move = move + guide[0] - guide[-1]
        sky = _in_view(ground, _pushed(followed, -move, pole), pole)
        north.append(np.arctan2(*(sky[2] - sky[0])))
        places.append(_pixels(mount, sky[3:] + bend))
    return (*_laid(places, mount, random), _matrix(mount, north[0]))


def _pushed(bore, arcsec, pole):
    """Move a telescope on its axes by arc seconds east and north."""
    dec = np.arcsin(pole @ bore)
    x = np.cross(pole, bore) / np.cos(dec)
    north = Rotation.from_rotvec(-arcsec[1] * ARCSEC * x).apply(bore)
    return Rotation.from_rotvec(arcsec[0] * ARCSEC / np.cos(dec) * pole).apply(north)


def _in_view(ground, bore, pole):
    """Give where stars are, (n, 2) arcsec east and north in the mount's frame, of the middle."""
    y = pole - (pole @ bore) * bore
    y /= np.linalg.norm(y)
    x = np.cross(pole, bore)  # right ascension rises as the earth turns, about the northern end
    x /= np.linalg.norm(x)
    flat = ground / (ground @ bore)[:, None]
    return np.stack([flat @ x, flat @ y], axis=1) / ARCSEC


def night(mount, hours_deg=None, seed=1, *, flip_at=None, side="west", **more):
    """Draw a night's frames, and the matrix of the header of the first on each side."""
    hours = np.linspace(-35, 10, 37) if hours_deg is None else hours_deg
    random = np.random.default_rng(seed)
    if flip_at is None:
        rotation, x, y, matrix = looked(mount, hours, random)
        return _framed(mount, hours, rotation, x, y, side, **more), [(0, matrix)]
    before, after = hours[hours < flip_at], hours[hours >= flip_at]
    one, two = (looked(mount, part, random) for part in (before, after))
    own = _framed(mount, before, *one[:3], "west", **more)
    # The camera stands on its head; the field was centred anew, some pixels off.
    turn = two[0] + 180.0 + _between(mount, before[0], after[0])
    other = _framed(mount, after, turn, -two[1] + 7.0, -two[2] - 5.0, "east", **more)
    ra, begin = own[0].header.ra_deg, own[0].header.taken_at_utc
    return own + [_as_of(f, ra, begin, after[0] - before[0]) for f in other], [(0, one[3])]


def _as_of(frame, ra_deg, begin, later_deg):
    from datetime import timedelta

    off = frame.header.taken_at_utc - begin
    start = begin + off + timedelta(seconds=later_deg / 360.98564736629 * 86400)
    return replace(frame, header=replace(frame.header, ra_deg=ra_deg, taken_at_utc=start))


def _between(mount, one_deg, other_deg):
    """Give how the field turned while the mount went from the one to the other, degrees."""
    quiet = replace(mount, guided=True, turn_arcsec=0.0, seeing_arcsec=0.0)
    return looked(quiet, np.array([one_deg, other_deg]), np.random.default_rng(1))[0][1]


def _framed(mount, hours, rotation, x, y, side, **more):
    made = frames(
        hours, rotation, mount.dec, latitude_deg=mount.latitude, side=side,
        arcsec_per_px=mount.arcsec_per_px, **more,
    )  # fmt: skip
    return [
        replace(f, placement=Placement("r", rotation_deg=f.placement.rotation_deg,
                                       shift_x_px=float(a), shift_y_px=float(b)))
        for f, a, b in zip(made, x, y, strict=True)
    ]  # fmt: skip


def _stars(mount):
    """Give the middle, the guide star, one to the north, and a field about, of hour angle 0."""
    random = np.random.default_rng(11)
    off = np.radians(random.uniform(-0.6, 0.6, (40, 2)))
    off = np.vstack([off, off[:, ::-1] * [1, -1], -off, off[:, ::-1] * [-1, 1]])
    off = np.vstack([[0, 0], np.radians(mount.guide_star), [0, 1e-3], off])
    dec = np.radians(mount.dec)
    middle = np.array([np.cos(dec), 0, np.sin(dec)])
    east, north = np.array([0, 1.0, 0]), np.array([-np.sin(dec), 0, np.cos(dec)])
    stars = middle + off[:, :1] * east + off[:, 1:] * north
    return stars / np.linalg.norm(stars, axis=1, keepdims=True)


def _moves(mount, hours, random):
    """Give what moves stars besides, arcsec east and north: by the mount, and not by it."""
    n = len(hours)
    steps = random.uniform(-1, 1, (n, 2)) * mount.dither_px * mount.arcsec_per_px
    walk = random.normal(0, 1, (n, 2)) * mount.walk_px * mount.arcsec_per_px
    due = np.arange(n) // mount.every
    steps, walk = steps[due], np.cumsum(np.where(np.diff(due, prepend=0)[:, None] > 0, walk, 0), 0)
    worm = mount.worm_arcsec * np.sin(2 * np.pi * hours * 60 / 7 + 1.0)
    east = np.where(mount.guided, 0.0, worm + mount.rate_arcsec_h * hours)
    bent = np.outer(hours, mount.flexure_arcsec_h) + random.normal(0, mount.seeing_arcsec, (n, 2))
    return steps + walk + np.stack([east, np.zeros(n)], axis=1), bent


def _pixels(mount, sky):
    """Put (n, 2) arc seconds east and north in the mount's frame on the camera, px, complex."""
    turn = np.radians(mount.camera_deg)
    along = sky @ np.array([np.sin(turn), np.cos(turn)])  # the y axis
    across = sky @ np.array([-np.cos(turn), np.sin(turn)])  # x: west where y is north
    across = -across if mount.mirrored else across
    return (across + 1j * along) / mount.arcsec_per_px


def _matrix(mount, north):
    """Give CD of a frame in which true north is at an angle in the mount's frame."""
    turn = np.radians(mount.camera_deg) - north
    sense = -1 if mount.mirrored else 1
    return tuple(
        map(tuple, mount.arcsec_per_px * np.array(
            [[-sense * np.cos(turn), np.sin(turn)], [sense * np.sin(turn), np.cos(turn)]]))
    )  # fmt: skip


def _laid(places, mount, random):
    """Lay frames on the first: rotation, and where the middle of the first is."""
    there = places[0]
    found = []
    for place in places:
        factor = np.vdot(there - there.mean(), place - place.mean())
        factor /= np.abs(factor)
        found.append((np.angle(factor), place.mean() - factor * there.mean()))
    turn = np.degrees(np.unwrap([angle for angle, _ in found]))
    turn = turn + random.normal(0, mount.turn_arcsec / 3600, len(turn))
    shift = np.array([where for _, where in found])
    return turn, shift.real, shift.imag
