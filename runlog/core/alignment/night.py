"""A night's polar alignment: the axis's error, what it costs, or why that is unknown."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt

from runlog.core.alignment.axis import (
    ARCSEC,
    Axis,
    Floats,
    Turns,
    either_way,
    f_point,
    fit_axis,
    own_noise,
)
from runlog.core.alignment.camera import Camera
from runlog.core.alignment.drift import Drift, drift_in_pixels, drift_of
from runlog.core.alignment.geometry import (
    ARCMIN,
    SIDEREAL_DEG_H,
    altitude_deg,
    field_turn,
    turn_rate_unguided,
)
from runlog.core.alignment.places import Places, in_pixels, on_the_sky
from runlog.core.columns import plural
from runlog.core.frame import Frame
from runlog.core.robust import MAD_TO_SIGMA
from runlog.core.sky.sidereal import days_since_j2000, greenwich_sidereal_deg
from runlog.core.stars.angles import half_turn_deg

FEWEST = 8
FEWEST_OF_GROUP = 3
LEAST_ARC_H = 1.0
FLOOR_ARCMIN = 0.5  # flexure of good mounts: nothing below is told (common practice, no source)
MOST_ARCMIN = 180.0  # more turns a field as no axis near the pole does
SCATTER = 4.0  # times what angles scatter by from frame to frame
STEP_ARCSEC = 60.0  # between two frames, out of their usual change
STEP_SIGMA = 8.0
LOWEST_DEG = 15.0  # below it refraction is not known well enough
RARE = 0.001  # chance at which two sides of the pier are held to differ
TRAIL_PX = 0.3  # in a corner; less is not worth a screwdriver
TURNED_DEG = 0.1


@dataclass(frozen=True, slots=True)
class Standpoint:
    """What of a night's frames goes beyond the frames themselves."""

    latitude_deg: float | None
    longitude_deg: float | None
    parity: int | None  # 1 where x to y goes from north to east on the sky, -1 mirrored
    half_diagonal_px: float = 0.0
    camera: Camera = field(default_factory=lambda: Camera({}))


@dataclass(frozen=True, slots=True)
class Alignment:
    """One rig's night."""

    night: str
    rig: str
    frames: int = 0
    arc_h: float = 0.0
    axis: Axis | None = None  # by the turn of the field, and by its drift where that tells
    drift: Drift = field(default_factory=Drift)
    known_side: bool = False
    trail_px: float | None = None  # by the axis alone, in a corner, in the longest frame
    trail_low_px: float | None = None
    trail_high_px: float | None = None
    exposure_s: float | None = None
    rotation_deg_h: float | None = None  # as measured, at most
    reason: str | None = None  # why the axis is unknown
    verdict: str = "unknown"
    turned_deg: float | None = None  # the camera, against an earlier night
    turned_since: str | None = None
    angles: tuple[tuple[tuple[str, ...], float], ...] = ()  # by reference, filter and side

    @property
    def below_floor(self) -> bool:
        """Tell whether what was found is less than can be claimed."""
        return self.axis is not None and self.axis.size < FLOOR_ARCMIN


def alignment_of(frames: Sequence[Frame], place: Standpoint) -> Alignment:
    """Judge one rig's night by its lights."""
    first = frames[0].context
    told = Alignment(first.night, first.rig)
    used = [f for f in frames if _tells(f)]
    if place.latitude_deg is None or place.longitude_deg is None:
        return replace(told, reason="neither headers nor config tell where the telescope stood")
    if not used:
        return replace(told, reason=_nothing(frames))
    turns, kept = _turns(used, place)
    if len(kept) < FEWEST:
        shown = f"only {plural(len(kept), 'frame')}" if kept else "no frame"
        few = f"{shown} tells how the field turned: it takes {FEWEST}"
        return replace(told, frames=len(kept), reason=few)
    told = replace(told, rotation_deg_h=_fastest(turns, place), known_side=place.parity is not None)
    turns, kept, places = _at_the_star(turns, kept, place)
    arc = _arc_h(turns)
    told = replace(told, frames=len(kept), arc_h=arc)
    if arc < LEAST_ARC_H:
        short = f"the frames span {60 * arc:.0f} min of hour angle: it takes {LEAST_ARC_H:g} h"
        return replace(told, reason=short)
    axis = fit_axis(turns)
    if axis is None:
        return replace(told, reason="the frames leave no freedom to tell the axis")
    reason = _refused(turns, axis, kept)
    told = replace(told, angles=_angles(axis, turns, kept))
    if reason:
        return replace(told, reason=reason)
    if place.parity is None:
        mirrored = fit_axis(replace(turns, turn=-turns.turn))
        axis = either_way(axis, mirrored) if mirrored else axis
    told = _with_drift(replace(told, axis=axis), turns, kept, places, place)
    if told.axis is None:
        return told
    told = _costs(told, turns, kept, place)
    return replace(told, verdict=_verdict(told))


def _at_the_star(
    turns: Turns, frames: list[Frame], place: Standpoint
) -> tuple[Turns, list[Frame], Places | None]:
    """Take drift and dithers out of the turns where the camera's angle to the sky is known."""
    found = on_the_sky(turns, frames, place.camera) if place.parity is not None else None
    enough = found is not None and _arc_h(found[0]) >= LEAST_ARC_H
    return found if found is not None and enough else (turns, frames, None)


def _with_drift(
    told: Alignment, turns: Turns, frames: Sequence[Frame], places: Places | None, place: Standpoint
) -> Alignment:
    """Bring in what the field's drift tells; an axis that it leaves unknown is taken back."""
    assert told.axis is not None
    if places is not None:
        drift = drift_of(turns, told.axis, places)
        return _as_drifted(told, drift, "as no mount does whose axis turns the field as it turned")
    places, reason = in_pixels(turns, frames)
    if places is None:
        return replace(told, drift=Drift(reason=reason))
    drift = drift_in_pixels(turns, told.axis, places)
    return _as_drifted(
        told, drift, "so that nothing guided it, and by which way it went that turns the field "
        f"too: {place.camera.reason}",
    )  # fmt: skip


def _as_drifted(told: Alignment, drift: Drift, why_unknown: str) -> Alignment:
    """Take the axis that the drift leaves; none where it was not guided and that does not help."""
    if drift.hidden_arcsec_h is not None:
        hidden = f'{drift.hidden_arcsec_h:.0f}" an hour'
        reason = f"dithers may hide a drift of {hidden}, and a drift turns the field too"
        return replace(told, drift=drift, axis=None, reason=reason)
    if drift.guided is False and drift.axis is None:
        reason = f'the field drifted by {drift.arcsec_h:.0f}" an hour, {why_unknown}'
        return replace(told, drift=drift, axis=None, reason=reason)
    return replace(told, axis=drift.axis or told.axis, drift=drift)


def camera_turned(nights: Sequence[Alignment]) -> list[Alignment]:
    """Say of each night of one rig by how much the camera stands turned against one before."""
    last: dict[tuple[str, ...], tuple[str, float]] = {}
    found = []
    for night in sorted(nights, key=lambda n: n.night):
        seen = [(last[key], angle) for key, angle in night.angles if key in last]
        if seen:
            since = max(evening for (evening, _), _ in seen)
            apart = [
                half_turn_deg(angle - was) for (evening, was), angle in seen if evening == since
            ]
            night = replace(night, turned_deg=float(np.median(apart)), turned_since=since)
        last |= {key: (night.night, angle) for key, angle in night.angles}
        found.append(night)
    return found


# --- frames -----------------------------------------------------------------------------------


def _tells(frame: Frame) -> bool:
    where, header = frame.placement, frame.header
    known = (where.rotation_deg, where.matched_to, header.taken_at_utc, header.ra_deg)
    return None not in (*known, header.dec_deg)


def _nothing(frames: Sequence[Frame]) -> str:
    if all(f.placement.rotation_deg is None for f in frames):
        return "no frame's stars were found on another frame's"
    if all(f.header.ra_deg is None for f in frames):
        return "no header tells where the telescope pointed"
    return "no frame tells its time"


def _key(frame: Frame) -> tuple[str, ...]:
    """Name what shares one angle of the camera: reference, filter, pier side, rotator."""
    header = frame.header
    rotator = "" if header.rotator_deg is None else f"{header.rotator_deg:.1f}"
    side = header.pier_side or ""
    return frame.placement.matched_to or "", frame.context.filter, side, rotator


def _turns(frames: Sequence[Frame], place: Standpoint) -> tuple[Turns, list[Frame]]:
    """Gather angles by what they share; a step in them parts them."""
    assert place.latitude_deg is not None
    groups: dict[tuple[str, ...], list[Frame]] = {}
    for frame in sorted(frames, key=lambda f: (_middle(f), f.key)):
        groups.setdefault(_key(frame), []).append(frame)
    kept: list[Frame] = []
    parts: list[tuple[Floats, Floats, Floats]] = []
    numbers: list[int] = []
    for own in groups.values():
        hours, decs, turn = _columns(own, place)
        high = altitude_deg(hours, decs, place.latitude_deg) >= LOWEST_DEG
        for piece in _pieces(hours, turn, high):
            if len(piece) >= FEWEST_OF_GROUP:
                kept += [own[n] for n in piece]
                numbers += [len(parts)] * len(piece)
                parts.append((hours[piece], decs[piece], turn[piece]))
    if not parts:
        empty = np.zeros(0)
        return Turns(empty, empty, empty, np.zeros(0, dtype=np.int64), place.latitude_deg), []
    hours, decs, turn = (np.concatenate(column) for column in zip(*parts, strict=True))
    group = np.array(numbers, dtype=np.int64)
    return Turns(hours, decs, turn, group, place.latitude_deg), kept


def _columns(own: Sequence[Frame], place: Standpoint) -> tuple[Floats, Floats, Floats]:
    """Give hour angles and declinations in degrees and angles in radians, steady in sign."""
    days = np.array([days_since_j2000(_middle(f)) for f in own])
    ra = float(np.median([f.header.ra_deg or 0.0 for f in own]))
    dec = float(np.median([f.header.dec_deg or 0.0 for f in own]))
    hours = (greenwich_sidereal_deg(days) + (place.longitude_deg or 0.0) - ra + 180) % 360 - 180
    angles = np.array([f.placement.rotation_deg or 0.0 for f in own])
    angles = angles[0] + (angles - angles[0] + 180) % 360 - 180
    # By parity the pixels' turn is the position angle's; where unknown it is one or the other.
    turn = np.radians(angles) * (place.parity or 1)
    hours = hours[0] + (hours - hours[0] + 180) % 360 - 180
    return hours, np.full(len(own), dec), turn


def _middle(frame: Frame) -> datetime:
    start = frame.header.taken_at_utc
    assert start is not None
    return start + timedelta(seconds=(frame.header.exposure_s or 0.0) / 2)


def _pieces(hours: Floats, turn: Floats, high: npt.NDArray[np.bool_]) -> Iterator[list[int]]:
    """Part frames where the angle steps: a cable, a clamp, a camera that was turned."""
    rows = [int(n) for n in np.flatnonzero(high)]
    if len(rows) < FEWEST_OF_GROUP:
        return
    change = np.diff(turn[rows])
    gap = np.maximum(np.diff(hours[rows]), 1e-6)
    usual = float(np.median(change / gap)) * gap
    off = np.abs(change - usual)
    limit = max(STEP_ARCSEC * ARCSEC, STEP_SIGMA * MAD_TO_SIGMA * float(np.median(off)))
    piece = [rows[0]]
    for n, row in enumerate(rows[1:]):
        if off[n] > limit:
            yield piece
            piece = []
        piece.append(row)
    yield piece


def _arc_h(turns: Turns) -> float:
    """Give the longest arc of hour angle that frames of one group span, or of all together."""
    return float(np.ptp(turns.hour_deg)) / 15


def _fastest(turns: Turns, place: Standpoint) -> float | None:
    rates = []
    for n in np.unique(turns.group):
        own = turns.group == n
        if own.sum() > 2 and np.ptp(turns.hour_deg[own]) > 0:
            lean = np.polyfit(turns.hour_deg[own] / SIDEREAL_DEG_H, turns.turn[own], 1)[0]
            rates.append(float(np.degrees(lean)))
    return max(rates, key=abs) if rates else None


# --- refusals ---------------------------------------------------------------------------------


def _refused(turns: Turns, axis: Axis, frames: Sequence[Frame]) -> str | None:
    if axis.size > MOST_ARCMIN:
        return (
            f"the field turned as if the axis were {axis.size / 60:.0f} degrees off: a mount "
            "without a polar axis, or a rotator, turns it so"
        )
    by_side = _sides_differ(turns, axis, frames)
    if by_side:
        return by_side
    noise = own_noise([turns.turn[turns.group == n] for n in np.unique(turns.group)]) / ARCSEC
    if axis.scatter_arcsec > SCATTER * noise:
        return (
            f"angles stay {axis.scatter_arcsec:.0f} arcsec off any axis's course while frames "
            f"scatter by {noise:.0f}: flexure, a cable or a clamp turns the camera too"
        )
    return None


def _sides_differ(turns: Turns, axis: Axis, frames: Sequence[Frame]) -> str | None:
    """Ask whether each side of the pier shows another axis (F test): no polar axis does that."""
    sides = np.array([frame.header.pier_side or "" for frame in frames])
    names = [name for name in ("east", "west") if (sides == name).sum() >= FEWEST]
    if len(names) < 2:
        return None
    found = [_of(turns, sides == name) for name in names]
    if any(one is None for one in found):
        return None
    east, west = (one for one in found if one is not None)
    freedom = east.freedom + west.freedom
    better = (axis.squares - east.squares - west.squares) / 2
    rest = max((east.squares + west.squares) / freedom, (ARCSEC / 2) ** 2)
    apart = float(np.hypot(east.up - west.up, east.east - west.east))
    if better <= f_point(freedom, RARE) * rest or apart < FLOOR_ARCMIN:
        return None
    return (
        "each side of the pier shows another axis: what turns the field goes with the side, so "
        "it is flexure or the camera, not the polar axis"
    )


def _of(turns: Turns, which: npt.NDArray[np.bool_]) -> Axis | None:
    return fit_axis(
        Turns(
            turns.hour_deg[which],
            turns.dec_deg[which],
            turns.turn[which],
            turns.group[which],
            turns.latitude_deg,
        )
    )


# --- what it costs ----------------------------------------------------------------------------


def _costs(told: Alignment, turns: Turns, frames: Sequence[Frame], place: Standpoint) -> Alignment:
    """Reckon the trail in a corner by the axis alone: of the fit, and over the ellipse."""
    assert told.axis is not None
    lengths = np.array([f.header.exposure_s or 0.0 for f in frames])

    across = np.radians(lengths / 3600 * SIDEREAL_DEG_H)
    where = turns.hour_deg, turns.dec_deg, turns.latitude_deg
    unguided = told.drift.guided is False

    def trail(up: float, east: float) -> float:
        turned = _turned(where, across, up * ARCMIN, east * ARCMIN, unguided=unguided)
        return float(np.abs(turned).max()) * place.half_diagonal_px

    around = [trail(up, east) for up, east in told.axis.outline.tolist()]
    inside = told.axis.holds(0.0, 0.0)
    return replace(
        told,
        trail_px=trail(told.axis.up, told.axis.east),
        trail_low_px=0.0 if inside else min(around),
        trail_high_px=max(around),
        exposure_s=float(lengths.max()),
    )


def _turned(
    where: tuple[Floats, Floats, float],
    across: Floats,
    up: float,
    east: float,
    *,
    unguided: bool,
) -> Floats:
    """Give how far the field turns within each frame, of a length in hour angle, radians."""
    if unguided:
        return turn_rate_unguided(*where, up, east) * across
    hours, dec, latitude = where
    half = np.degrees(across) / 2
    before, after = (field_turn(hours + side * half, dec, latitude, up, east) for side in (-1, 1))
    return after - before


def _verdict(told: Alignment) -> str:
    assert told.trail_high_px is not None
    assert told.trail_low_px is not None
    if told.trail_high_px < TRAIL_PX:
        return "leave it"
    if told.below_floor or told.trail_low_px < TRAIL_PX:
        return "not sure"
    return "worth it"


def _angles(
    axis: Axis, turns: Turns, frames: Sequence[Frame]
) -> tuple[tuple[tuple[str, ...], float], ...]:
    """Give how the camera stood, degrees, by what angles compare on; of parted ones the last."""
    found: dict[tuple[str, ...], float] = {}
    for n, group in enumerate(np.unique(turns.group)):
        first = int(np.flatnonzero(turns.group == group)[0])
        found[_key(frames[first])] = float(np.degrees(axis.constants[n]))
    return tuple(sorted(found.items()))
