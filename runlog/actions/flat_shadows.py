"""Flats held against the lights they are for, and against the flats before, by dust shadows.

Of each group of lights the last night, with the flats nearest to it: what is to be calibrated now.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import date
from typing import TYPE_CHECKING, TypeVar

from sqlalchemy import Connection, Engine

from runlog.core.calibration import shadow_words as say
from runlog.core.calibration.dust import Said, Shadows, against_flats, against_lights
from runlog.core.calibration.fit import LightGroup
from runlog.core.calibration.judged import UNKNOWN_SHADOWS, Finding, LevelFrame
from runlog.core.frame import Kind
from runlog.errors import ReadOnlyError
from runlog.store import flat_shadows as store
from runlog.store.engine import reading, write
from runlog.store.flat_shadows import Dust, Pictured

if TYPE_CHECKING:
    from runlog.actions.flat_pictures import Reliefs

MOST_FLATS, MOST_LIGHTS = 7, 15  # pictures that are looked at
FEWEST_LIGHTS = 3  # fewer do not take stars away

T = TypeVar("T")


def shadow_findings(
    engine: Engine,
    groups: Sequence[LightGroup],
    frames: Sequence[LevelFrame],
    since: str | None = None,
) -> list[Finding]:
    """Judge the flats of some groups of lights, from an evening on; each set once for a reason."""
    found: dict[tuple[str, str], Finding] = {}
    with reading(engine) as connection:
        pairs = Pairs(connection)
        for group in _by_optics(groups):
            for finding in _of_group(connection, pairs, group, frames, since):
                found.setdefault((finding.code, finding.in_words), finding)
    if pairs.fresh:
        with suppress(ReadOnlyError):  # where nothing can be written they are compared each time
            write(engine, lambda connection: store.keep_dust(connection, pairs.fresh))
    return list(found.values())


class Pairs:
    """Pictures laid on others: as was kept of it, else looked at."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._reliefs: Reliefs | None = None
        self._kept: dict[int, Dust] = {}
        self._asked: dict[int, Dust] = defaultdict(dict)
        self.fresh: dict[int, Dust] = {}  # all that was asked of the runs that have something new

    def shared(self, of: Sequence[Pictured], on: Sequence[Pictured], run_id: int) -> Shadows | None:
        """Tell how much of the shadows of some pictures lies on others; kept with a run."""
        if run_id not in self._kept:
            self._kept[run_id] = store.dust_of_run(self._connection, run_id)
        which, kept, asked = store.digest(of, on), self._kept[run_id], self._asked[run_id]
        asked[which] = kept[which] if which in kept else self._looked_at(of, on)
        if which not in kept:
            self.fresh[run_id] = asked
        return asked[which]

    def _looked_at(self, of: Sequence[Pictured], on: Sequence[Pictured]) -> Shadows | None:
        from runlog.actions.flat_pictures import Reliefs  # with numpy

        self._reliefs = self._reliefs or Reliefs(self._connection)
        return self._reliefs.shared(of, on)


def _by_optics(groups: Sequence[LightGroup]) -> list[LightGroup]:
    """Choose of the groups that share flats the one with the latest night."""
    latest: dict[tuple[object, ...], LightGroup] = {}
    for group in sorted(groups, key=lambda g: (g.nights[-1], g.frames, g.exposure_s or 0.0)):
        key = (group.rig_id, group.filter, group.sensor.camera, group.sensor.binning)
        latest[*key, group.sensor.size, group.rotator_deg] = group
    return list(latest.values())


def _of_group(
    connection: Connection,
    pairs: Pairs,
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
    for said in _said(connection, pairs, group, sets, nearest):
        if said is not None:
            yield Finding(*said, len(sets[nearest]), len(sets[nearest]), own)


def _said(
    connection: Connection,
    pairs: Pairs,
    group: LightGroup,
    sets: Mapping[str, Sequence[Pictured]],
    nearest: str,
) -> Iterator[Said | None]:
    """Judge the flats of a night; without their pictures nothing more is asked."""
    flats, night = sets[nearest], group.nights[-1]
    if not all(flat.stored for flat in flats):
        yield UNKNOWN_SHADOWS, say.unknown(say.NO_PICTURE)
        return
    yield _on_lights(pairs, flats, store.lights_of(connection, group, night), night)
    yield _since_before(pairs, sets, nearest)


def _on_lights(
    pairs: Pairs, flats: Sequence[Pictured], lights: Sequence[Pictured], night: str
) -> Said | None:
    """Hold flats against the lights of a night."""
    usable = [f for f in lights if f.stored and f.pedestal_adu is not None]
    if len(usable) < FEWEST_LIGHTS:
        return UNKNOWN_SHADOWS, say.unknown(say.FEW_LIGHTS)
    chosen = _some(flats, MOST_FLATS)
    found = pairs.shared(chosen, _some(usable, MOST_LIGHTS), chosen[0].run_id)
    return against_lights(found, night)


def _since_before(pairs: Pairs, sets: Mapping[str, Sequence[Pictured]], night: str) -> Said | None:
    """Hold the flats of a night against those before them that have pictures, if any."""
    before = [n for n in sets if n < night and all(f.stored for f in sets[n])]
    if not before:
        return None
    chosen = _some(sets[night], MOST_FLATS)
    found = pairs.shared(_some(sets[max(before)], MOST_FLATS), chosen, chosen[0].run_id)
    return against_flats(found, max(before))


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


def _some(frames: Sequence[T], most: int) -> list[T]:
    """Choose up to so many, evenly from first to last."""
    if len(frames) <= most:
        return list(frames)
    return [frames[round(i * (len(frames) - 1) / (most - 1))] for i in range(most)]
