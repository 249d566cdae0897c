"""Pictures of flats laid over those of lights and of earlier flats, for their dust."""

from collections.abc import Iterator, Sequence
from typing import TypeVar

from sqlalchemy import Connection

from runlog.core.calibration import shadow_words as say
from runlog.core.calibration.fit import LightGroup
from runlog.core.calibration.judged import UNKNOWN_SHADOWS, Finding, LevelFrame
from runlog.core.calibration.shadows import Image, middle_of, relief, shared
from runlog.ingest.preview import unpack
from runlog.store import flat_shadows as store
from runlog.store.flat_shadows import Pictured
from runlog.store.previews import get_preview

MOST_FLATS, MOST_LIGHTS = 7, 15  # pictures that are looked at
FEWEST_LIGHTS = 3  # fewer do not take stars away
# Shadows that fit give 1; of two pictures that have nothing in common, 0.
GONE_SHARE, SURE = 0.5, 4.0  # below so much, and so many errors below 1
WORST_ERROR = 0.2
FLATS_SHARE = 0.8  # flats are all but free of noise

T = TypeVar("T")


def compared(
    connection: Connection,
    group: LightGroup,
    own: LevelFrame,
    flats: Sequence[Pictured],
    before: Sequence[Pictured],
) -> Iterator[Finding]:
    """Compare a set of flats with the last lights of a group, and with the flats before, if any.

    Raises AssertionError where a flat's picture is not stored.
    """
    flat = relief(_flat(connection, flats))
    yield from _against_lights(connection, group, own, flats, flat)
    if before:
        yield from _against_flats(connection, own, flats, flat, before)


def _finding(code: str, text: str, own: LevelFrame, flats: Sequence[Pictured]) -> Finding:
    return Finding(code, text, len(flats), len(flats), own)


def _against_lights(
    connection: Connection,
    group: LightGroup,
    own: LevelFrame,
    flats: Sequence[Pictured],
    flat: Image,
) -> Iterator[Finding]:
    night = group.nights[-1]
    light = _light(connection, store.lights_of(connection, group, night))
    if light is None:
        yield _finding(UNKNOWN_SHADOWS, say.unknown(say.FEW_LIGHTS), own, flats)
        return
    found = shared(flat, relief(light))
    if found is None:
        yield _finding(UNKNOWN_SHADOWS, say.unknown(say.NO_DUST), own, flats)
    elif found.error > WORST_ERROR:
        yield _finding(UNKNOWN_SHADOWS, say.unknown(say.NOISY), own, flats)
    elif found.share < GONE_SHARE and 1 - found.share > SURE * found.error:
        yield _finding("other-dust", say.not_in_lights(found, night), own, flats)


def _against_flats(
    connection: Connection,
    own: LevelFrame,
    flats: Sequence[Pictured],
    flat: Image,
    before: Sequence[Pictured],
) -> Iterator[Finding]:
    found = shared(relief(_flat(connection, before)), flat)
    if found is None or found.error > WORST_ERROR:
        return
    if found.share < FLATS_SHARE and 1 - found.share > SURE * found.error:
        yield _finding("dust-moved", say.moved_since(found, before[0].night), own, flats)


def _flat(connection: Connection, flats: Sequence[Pictured]) -> Image:
    chosen = _some(flats, MOST_FLATS)
    return middle_of([_image(connection, f.id) - (f.pedestal_adu or 0.0) for f in chosen])


def _light(connection: Connection, lights: Sequence[Pictured]) -> Image | None:
    usable = [f for f in lights if f.stored and f.pedestal_adu is not None]
    if len(usable) < FEWEST_LIGHTS:
        return None
    chosen = _some(usable, MOST_LIGHTS)
    return middle_of([_image(connection, f.id) - (f.pedestal_adu or 0.0) for f in chosen])


def _image(connection: Connection, frame_id: int) -> Image:
    preview = get_preview(connection, frame_id)
    assert preview is not None
    return unpack(preview.image).astype(float)


def _some(frames: Sequence[T], most: int) -> list[T]:
    """Choose up to so many, evenly from first to last."""
    if len(frames) <= most:
        return list(frames)
    return [frames[round(i * (len(frames) - 1) / (most - 1))] for i in range(most)]
