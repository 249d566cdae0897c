"""The polar axis by the nights' field rotation."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from math import hypot, radians
from typing import Any

from sqlalchemy import Connection, Engine

from runlog.config import Settings
from runlog.core.alignment.camera import camera_of, sampled
from runlog.core.alignment.night import Alignment, Standpoint, alignment_of, camera_turned
from runlog.core.frame import Frame
from runlog.core.header.cards import CardIndex
from runlog.core.header.world import pixel_matrix
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.sky.plate_scale import Matrix
from runlog.store.engine import reading
from runlog.store.sweeps import cards_of, lights_in_time

ALIGNMENT_KEYS = (
    "night rig frames arc_h up_arcmin up_err east_arcmin east_err size_arcmin size_err below_floor "
    "sense refraction_taken_out rotation_deg_h guided drift_used drift_dec_arcsec_h drift_arcsec_h "
    "drift_reason trail_px trail_low_px trail_high_px exposure_s "
    "scatter_arcsec camera_turned_deg camera_turned_px camera_turned_since verdict reason"
).split()

Row = dict[str, Any]


def alignment(
    engine: Engine,
    settings: Settings,
    selection: Selection = EVERYTHING,
    mirrored: bool | None = None,
) -> list[Row]:
    """Judge each night of each rig, as rows of `runlog.alignment/1`."""
    return [row for row, _ in alignments(engine, settings, selection, mirrored)]


def alignments(
    engine: Engine,
    settings: Settings,
    selection: Selection = EVERYTHING,
    mirrored: bool | None = None,
) -> list[tuple[Row, Alignment]]:
    """Judge each night of each rig; an earlier night says whether the camera was turned."""
    with reading(engine) as connection:
        frames = lights_in_time(connection, replace(selection, night=None))
        nights = _by_rig_and_night(frames)
        places = {key: place_of(connection, own, settings, mirrored) for key, own in nights.items()}
    found: list[tuple[Row, Alignment]] = []
    for rig in sorted({rig for rig, _ in nights}):
        own = {key: frames for key, frames in nights.items() if key[0] == rig}
        told = [alignment_of(frames, places[key]) for key, frames in sorted(own.items())]
        found += [
            (row_of(night, places[rig, night.night].half_diagonal_px), night)
            for night in camera_turned(told)
            if selection.night in (None, night.night)
        ]
    return found


def _by_rig_and_night(frames: Sequence[Frame]) -> Mapping[tuple[str, str], list[Frame]]:
    found: dict[tuple[str, str], list[Frame]] = {}
    for frame in frames:
        if frame.context.night:
            found.setdefault((frame.context.rig, frame.context.night), []).append(frame)
    return found


def place_of(
    connection: Connection,
    frames: Sequence[Frame],
    settings: Settings,
    mirrored: bool | None = None,
) -> Standpoint:
    """Give where a night's telescope stood, and whether its image is mirrored."""
    header = next(
        (f.header for f in frames if None not in (f.header.latitude_deg, f.header.longitude_deg)),
        None,
    )
    shape = frames[0].identity
    matrices = list(_matrices(connection, frames))
    said = _parity(matrices) if mirrored is None else (-1 if mirrored else 1)
    return Standpoint(
        header.latitude_deg if header else settings.latitude_deg,
        header.longitude_deg if header else settings.longitude_deg,
        said,
        hypot(shape.width, shape.height) / 2,
        camera_of(matrices, said),
    )


def _matrices(connection: Connection, frames: Sequence[Frame]) -> Iterator[tuple[Frame, Matrix]]:
    """Read the world coordinates of some of the frames that angles are measured on."""
    for frame in sampled(frames):
        matrix = pixel_matrix(CardIndex(cards_of(connection, frame.identity.id), {}))
        if matrix is not None:
            yield frame, matrix


def _parity(matrices: Sequence[tuple[Frame, Matrix]]) -> int | None:
    """Give the sense of the image, if the world coordinates agree.

    The matrix of an image that is not mirrored has a determinant below zero: east is left when
    north is up (Greisen and Calabretta 2002).
    """
    found = {1 if a * d - b * c < 0 else -1 for _, ((a, b), (c, d)) in matrices}
    return found.pop() if len(found) == 1 else None


def row_of(told: Alignment, half_diagonal_px: float) -> Row:
    """Write one night with the keys of `runlog.alignment/1`."""
    axis = told.axis
    claimed = axis is not None and not told.below_floor
    turned = told.turned_deg
    return {
        "night": told.night,
        "rig": told.rig,
        "frames": told.frames,
        "arc_h": told.arc_h,
        "up_arcmin": axis.up if axis and claimed else None,
        "up_err": axis.half_along(1, 0) if axis else None,
        "east_arcmin": axis.east if axis and claimed else None,
        "east_err": axis.half_along(0, 1) if axis else None,
        "size_arcmin": axis.size if axis and claimed else None,
        "size_err": axis.half_along(axis.up, axis.east) if axis and claimed else None,
        "below_floor": told.below_floor if axis else None,
        "sense": "known" if told.known_side else "mirrored-unknown",
        "refraction_taken_out": axis is not None,
        "rotation_deg_h": told.rotation_deg_h,
        "guided": told.drift.guided,
        "drift_used": told.drift.used,
        "drift_dec_arcsec_h": told.drift.dec_arcsec_h,
        "drift_arcsec_h": told.drift.arcsec_h,
        "drift_reason": told.drift.reason,
        "trail_px": told.trail_px,
        "trail_low_px": told.trail_low_px,
        "trail_high_px": told.trail_high_px,
        "exposure_s": told.exposure_s,
        "scatter_arcsec": axis.scatter_arcsec if axis else None,
        "camera_turned_deg": turned,
        "camera_turned_px": None if turned is None else abs(radians(turned)) * half_diagonal_px,
        "camera_turned_since": told.turned_since,
        "verdict": told.verdict,
        "reason": told.reason,
    }
