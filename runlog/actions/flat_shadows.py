"""Flats held against the lights they are for, and against the flats before, by dust shadows.

Of each group of lights the last night, with the flats nearest to it: what is to be calibrated now.
"""

from collections.abc import Iterator, Sequence
from datetime import date

from sqlalchemy import Connection, Engine

from runlog.core.calibration import shadow_words as say
from runlog.core.calibration.fit import LightGroup
from runlog.core.calibration.judged import UNKNOWN_SHADOWS, Finding, LevelFrame
from runlog.core.frame import Kind
from runlog.store import flat_shadows as store
from runlog.store.engine import reading
from runlog.store.flat_shadows import Pictured


def shadow_findings(
    engine: Engine,
    groups: Sequence[LightGroup],
    frames: Sequence[LevelFrame],
    since: str | None = None,
) -> list[Finding]:
    """Judge the flats of some groups of lights, from an evening on; each set once for a reason."""
    found: dict[tuple[str, str], Finding] = {}
    with reading(engine) as connection:
        for group in _by_optics(groups):
            for finding in _of_group(connection, group, frames, since):
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
    connection: Connection,
    group: LightGroup,
    frames: Sequence[LevelFrame],
    since: str | None,
) -> Iterator[Finding]:
    sets = _by_night(store.flats_of(connection, group, since))
    night = group.nights[-1]
    if not sets or not night:
        return
    nearest = min(sets, key=lambda n: (_days(n, night), n))
    own = _one_of(frames, group, nearest)
    if own is None:
        return
    if not all(flat.stored for flat in sets[nearest]):
        text = say.unknown(say.NO_PICTURE)
        yield Finding(UNKNOWN_SHADOWS, text, len(sets[nearest]), len(sets[nearest]), own)
        return
    from runlog.actions.flat_pictures import compared  # with numpy: many archives have none yet

    before = [n for n in sets if n < nearest and all(f.stored for f in sets[n])]
    earlier = sets[max(before)] if before else ()
    yield from compared(connection, group, own, sets[nearest], earlier)


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
