"""Flats held against the lights they are for, and against the flats before, by dust shadows.

Of each group of lights the last night, with the flats nearest to it: what is to be calibrated now.
"""

from collections.abc import Iterator, Sequence
from datetime import date
from typing import TypeVar

from sqlalchemy import Connection, Engine

from runlog.core.calibration import shadow_words as say
from runlog.core.calibration.fit import LightGroup
from runlog.core.calibration.judged import UNKNOWN_SHADOWS, Finding, LevelFrame
from runlog.core.calibration.shadows import Image, middle_of, relief, shared
from runlog.core.frame import Kind
from runlog.ingest.preview import unpack
from runlog.store import flat_shadows as store
from runlog.store.engine import reading
from runlog.store.flat_shadows import Pictured
from runlog.store.previews import get_preview

MOST_FLATS, MOST_LIGHTS = 7, 15  # pictures that are looked at
FEWEST_LIGHTS = 3  # fewer do not take stars away
# Shadows that fit give 1; of two pictures that have nothing in common, 0.
GONE_SHARE, SURE = 0.5, 4.0  # below so much, and so many errors below 1
WORST_ERROR = 0.2
FLATS_SHARE = 0.8  # flats are all but free of noise

T = TypeVar("T")


def shadow_findings(
    engine: Engine, groups: Sequence[LightGroup], frames: Sequence[LevelFrame]
) -> list[Finding]:
    """Judge the flats of some groups of lights; each set of flats once for each reason."""
    found: dict[tuple[str, str], Finding] = {}
    with reading(engine) as connection:
        for group in _by_optics(groups):
            for finding in _of_group(connection, group, frames):
                found.setdefault((finding.code, finding.in_words), finding)
    return list(found.values())


def _by_optics(groups: Sequence[LightGroup]) -> list[LightGroup]:
    """Choose of the groups that share flats the one with the latest night."""
    latest: dict[tuple[object, ...], LightGroup] = {}
    for group in sorted(groups, key=lambda g: (g.nights[-1], g.frames, g.exposure_s or 0.0)):
        key = (group.rig_id, group.filter, group.sensor.camera, group.sensor.binning)
        latest[*key, group.sensor.size, group.rotator_deg] = group
    return list(latest.values())


def _of_group(
    connection: Connection, group: LightGroup, frames: Sequence[LevelFrame]
) -> Iterator[Finding]:
    sets = _by_night(store.flats_of(connection, group))
    night = group.nights[-1]
    if not sets or not night:
        return
    nearest = min(sets, key=lambda n: (_days(n, night), n))
    own = _one_of(frames, group, nearest)
    if own is None:
        return
    if not all(flat.stored for flat in sets[nearest]):
        yield _finding(UNKNOWN_SHADOWS, say.unknown(say.NO_PICTURE), own, sets[nearest])
        return
    flat = relief(_flat(connection, sets[nearest]))
    yield from _against_lights(connection, group, own, sets[nearest], flat)
    before = [n for n in sets if n < nearest and all(f.stored for f in sets[n])]
    if before:
        yield from _against_flats(connection, own, sets[nearest], flat, sets[max(before)])


def _by_night(flats: Sequence[Pictured]) -> dict[str, list[Pictured]]:
    sets: dict[str, list[Pictured]] = {}
    for flat in flats:
        if flat.night:
            sets.setdefault(flat.night, []).append(flat)
    return sets


def _days(a: str, b: str) -> int:
    return abs((date.fromisoformat(a) - date.fromisoformat(b)).days)


def _one_of(frames: Sequence[LevelFrame], group: LightGroup, night: str) -> LevelFrame | None:
    own = [
        f
        for f in frames
        if (f.kind, f.rig_id, f.filter, f.night) == (Kind.FLAT, group.rig_id, group.filter, night)
        and f.sensor.size == group.sensor.size
    ]
    return min(own, key=lambda f: (f.exposure_s or 0.0, f.median_adu)) if own else None


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
