"""Where a night's field was on the camera: on the sky where its angle is known, else in pixels."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from runlog.core.alignment.axis import ARCSEC, Floats, Turns
from runlog.core.alignment.camera import Camera, turned
from runlog.core.alignment.geometry import SIDEREAL_DEG_H
from runlog.core.frame import Frame
from runlog.core.robust import MAD_TO_SIGMA

Ints = npt.NDArray[np.int64]

FEWEST = 8
MOVE_SIGMA = 6.0

NO_SCALE = "no header tells how large a pixel is on the sky"
NO_PLACES = f"too few frames tell where their field was: it takes {FEWEST}"


@dataclass(frozen=True, slots=True)
class Places:
    """Where a star of each frame's reference was, arc seconds off its middle, arrays (n,)."""

    hours: Floats
    east: Floats
    north: Floats
    group: Ints  # frames of a group share one constant
    stay: Ints  # frames between which the field was not moved
    to_sky: bool  # of each frame of the turns; else along the axes of the image

    def courses(self) -> list["Course"]:
        """Give the course of a night as a whole, in the two ways that it may be told.

        By frames, where the field was pointed anew and each stay has a constant of its own; and,
        where it was moved about a place, by a point a stay.
        """
        _, first, number = np.unique(self.stay, return_index=True, return_inverse=True)
        frames = np.bincount(number)
        hours, east, north = (
            np.bincount(number, values) / frames for values in (self.hours, self.east, self.north)
        )
        by_frames = Course(self.hours, self.east, self.north, self.stay)
        return [by_frames, Course(hours, east, north, self.group[first])]


@dataclass(frozen=True, slots=True)
class Course:
    """Points of a course, arrays (n,): hours, arc seconds, and what shares a constant."""

    hours: Floats
    east: Floats
    north: Floats
    group: Ints


def on_the_sky(turns: Turns, frames: Sequence[Frame], camera: Camera
               ) -> tuple[Turns, list[Frame], Places] | None:  # fmt: skip
    """Choose the frames whose camera's angle is known, and give their turns at their star.

    A telescope that is moved in right ascension turns about its axis, and its field by as much of
    that as meridians lean: east tan dec. Dithers do so, and all the drift of a mount not guided.
    None where the angle of too few frames is known.
    """
    keys = _keys(frames)
    which = np.array([n for n, key in enumerate(keys) if key in camera.of], dtype=np.int64)
    if len(which) < FEWEST:
        return None
    at = np.array([camera.of[keys[n]] @ _on_reference(frames[n]) for n in which])
    lean = at[:, 0] * ARCSEC * np.tan(np.radians(turns.dec_deg[which]))
    own = replace(
        turns,
        hour_deg=turns.hour_deg[which],
        dec_deg=turns.dec_deg[which],
        turn=turns.turn[which] + lean,
        group=turns.group[which],
    )
    return own, [frames[n] for n in which], _gathered(own, at, to_sky=True)


def in_pixels(turns: Turns, frames: Sequence[Frame]) -> tuple[Places | None, str]:
    """Gather places along the axes of the camera; or say why there are none.

    A mount that turns over turns these axes: of frames that do not tell their side of the pier,
    only those on the reference of most are taken, along its axes.
    """
    keys = _keys(frames)
    sides = all(frame.header.pier_side for frame in frames)
    most = max(sorted(set(keys)), key=lambda key: (bool(key), keys.count(key)))
    which = np.array([n for n, key in enumerate(keys) if key and (sides or key == most)], np.int64)
    if len(which) < FEWEST:
        return None, NO_PLACES
    scale = frames[which[0]].header.arcsec_per_px
    if scale is None:
        return None, NO_SCALE
    at = np.array([scale * _upright(frames[n], by_side=sides) for n in which])
    own = replace(turns, hour_deg=turns.hour_deg[which], group=turns.group[which])
    return _gathered(own, at, to_sky=False), ""


def _upright(frame: Frame, *, by_side: bool) -> Floats:
    if not by_side:
        return _on_reference(frame)
    placed, side = frame.placement, -1.0 if frame.header.pier_side == "east" else 1.0
    return side * np.array([placed.shift_x_px or 0.0, placed.shift_y_px or 0.0])


def _keys(frames: Sequence[Frame]) -> list[str]:
    return ["" if f.placement.shift_x_px is None else f.placement.matched_to or "" for f in frames]


def _on_reference(frame: Frame) -> Floats:
    """Give a frame's shift along the axes of its reference, px."""
    placed = frame.placement
    shift = np.array([placed.shift_x_px or 0.0, placed.shift_y_px or 0.0])
    return np.asarray(turned(-(placed.rotation_deg or 0.0)) @ shift)


def _gathered(turns: Turns, at: Floats, *, to_sky: bool) -> Places:
    stay = _stays(turns.group, at[:, 1:] if to_sky else at)
    hours = turns.hour_deg / SIDEREAL_DEG_H
    return Places(hours, at[:, 0], at[:, 1], turns.group, stay, to_sky)


def _stays(group: Ints, at: Floats) -> Ints:
    """Number the frames between which the field was not moved, by places (n, axes).

    Steps that stand out are moves. Where each frame is dithered none does: that is scatter.
    """
    steps = np.diff(at, axis=0)
    within = group[1:] == group[:-1]
    if not within.any():
        return group
    usual = np.median(steps[within], axis=0)
    off = np.abs(steps - usual)
    limit = MOVE_SIGMA * MAD_TO_SIGMA * np.median(off[within], axis=0)
    moved = ~within | (off > limit).any(axis=1)
    return np.concatenate([[0], np.cumsum(moved)]).astype(np.int64)
