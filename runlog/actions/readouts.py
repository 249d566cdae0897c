"""Tell read-out faults from the camera's own rows, by all frames of the camera there are.

This comes before references are found, since a frame with a fault cannot be one. It rests on
what the pixels of frames showed and on nothing that settling finds, so it is not circular.
"""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from sqlalchemy import Connection, Engine

from runlog.core.sensor.own_pattern import (
    DARK,
    Census,
    Looked,
    Pattern,
    bands_of_lines,
    census_of,
    first_seen_by,
    own_by,
    pattern_of,
)
from runlog.core.sensor.row_faults import Finding, company_of, findings
from runlog.core.sensor.words import bands_named, defects_in_words, own_in_words
from runlog.store import run_rows as store
from runlog.store.engine import reading, writing
from runlog.store.run_rows import LookedFrame, Sensor
from runlog.store.runs import RunState, all_runs, dirty_runs, touch_runs
from runlog.store.shown import shows_otherwise

Groups = dict[tuple[Sensor, str], list[LookedFrame]]
Patterns = dict[tuple[Sensor, str], Pattern]
LookedAt = dict[RunState, Groups]  # of runs that show something else than before


def compare_rows(engine: Engine) -> None:
    """Judge the rows of frames in runs that changed, and where that changes others."""
    looked: LookedAt = {}
    with reading(engine) as connection:
        if not _compare(connection, looked, write=False):
            return
    with writing(engine) as connection:
        _compare(connection, looked, write=True)


def own_rows(connection: Connection, run_id: int) -> str:
    """Say which rows and columns are the camera's own in the frames of a run."""
    words = {}
    for sensor in store.sensors_of_run(connection, run_id):
        by_run = store.patterns_that_tell(connection, sensor, run_id)
        if all(p.source == DARK for p in by_run[run_id]):
            continue
        night = next(p.night for p in by_run[run_id] if p.source != DARK)
        census = census_of(p for patterns in by_run.values() for p in patterns)
        if said := _own_in_words(census, night, sensor):
            words[sensor] = said
    if len(words) < 2:
        return next(iter(words.values()), "")
    return "; ".join(f"{said} at {s.width} x {s.height}" for s, said in words.items())


def _own_in_words(census: Census, night: str, sensor: Sensor) -> str:
    own = own_by(census)
    new = first_seen_by(census, own, night)
    rows, columns = (bands_of_lines(lines) for lines in (own.rows, own.columns))
    counted = defects_in_words(rows, columns, sensor.height, sensor.width)
    named = (
        bands_named(bands_of_lines(lines), noun)
        for noun, lines in (("row", new.rows), ("column", new.columns))
        if lines
    )
    return own_in_words(counted, ", ".join(named)) if counted else ""


@dataclass(slots=True)
class _Archive:
    """Patterns of each sensor by run: as stored, those of runs that changed put in."""

    connection: Connection
    fresh: dict[int, Patterns] = field(default_factory=dict)
    stored: dict[Sensor, dict[int, list[Pattern]]] = field(default_factory=dict)
    known: dict[Sensor, dict[int, list[Pattern]]] = field(default_factory=dict)
    counted: dict[Sensor, Census] = field(default_factory=dict)

    def before(self, sensor: Sensor) -> dict[int, list[Pattern]]:
        """Give what is stored of a sensor, by run."""
        if sensor not in self.stored:
            self.stored[sensor] = store.patterns(self.connection, sensor)
        return self.stored[sensor]

    def census(self, sensor: Sensor) -> Census:
        """Count on which nights the lines of a sensor are there."""
        if sensor not in self.counted:
            self.counted[sensor] = census_of(p for own in self.of(sensor).values() for p in own)
        return self.counted[sensor]

    def seen_otherwise(self, sensor: Sensor) -> set[int]:
        """Give the runs of a sensor from which its own lines look otherwise than before."""
        before, after = self.before(sensor), self.of(sensor)
        then, now = census_of(p for own in before.values() for p in own), self.census(sensor)
        if _alone(before) != _alone(after):
            return set(after)
        return {
            run_id
            for run_id, patterns in after.items()
            if any(_own_seen(then, p.night) != _own_seen(now, p.night) for p in patterns)
        }

    def of(self, sensor: Sensor) -> dict[int, list[Pattern]]:
        """Give what the frames of a sensor have in common, by run."""
        if sensor not in self.known:
            found = dict(self.before(sensor))
            for run_id, fresh in self.fresh.items():
                found[run_id] = [p for (own, _), p in fresh.items() if own == sensor]
            self.known[sensor] = found
        return self.known[sensor]


def _alone(by_run: Mapping[int, Sequence[Pattern]]) -> set[str]:
    """Give the sources of which there is but one frame, so that no other tells what is usual."""
    frames: Counter[str] = Counter()
    for pattern in (p for patterns in by_run.values() for p in patterns):
        frames[pattern.source] += pattern.frames
    return {source for source, count in frames.items() if count <= 1}


def _own_seen(census: Census, night: str) -> tuple[object, object]:
    own = own_by(census, night)
    return own.rows, own.columns


def _compare(connection: Connection, looked: LookedAt, *, write: bool) -> bool:
    """Find what is no longer as stored, and store it; tells whether there is any such thing.

    Runs that are still as they were `looked` at are not loaded again.
    """
    behind = dirty_runs(connection)
    for run in behind:
        if run not in looked and shows_otherwise(connection, run.id):
            looked[run] = _groups(connection, run.id)
    runs = [run for run in behind if run in looked]
    nights = {run.id: run.night for run in runs}
    if not nights:
        return False
    archive = _Archive(connection)
    groups = {run.id: looked[run] for run in runs}
    archive.fresh = {run: _patterns(nights[run], groups[run]) for run in nights}
    changed = _changed(archive)
    if changed and not write:
        return True  # what follows from it is found when it is stored
    others = _others(changed, archive) - nights.keys()
    if others:
        nights |= {run.id: run.night for run in all_runs(connection) if run.id in others}
        groups |= {run_id: _groups(connection, run_id) for run_id in others}
    found = {run: _different(run, nights[run], groups[run], archive) for run in nights}
    if write:
        for run_id, fresh in archive.fresh.items():
            store.put_patterns(connection, run_id, fresh)
        for values in found.values():
            store.write_findings(connection, values)
        touch_runs(connection, [run for run in sorted(others) if found[run]])
    return bool(changed) or any(found.values())


def _groups(connection: Connection, run_id: int) -> Groups:
    groups: Groups = {}
    for frame in store.looked_frames(connection, run_id):
        groups.setdefault((frame.sensor, frame.source or ""), []).append(frame)
    return groups


def _patterns(night: str, groups: Groups) -> Patterns:
    return {
        (sensor, source): pattern_of(night, source, len(frames), _looked(frames))
        for (sensor, source), frames in groups.items()
        if source
    }


def _looked(frames: Iterable[LookedFrame]) -> list[Looked]:
    return [Looked(frame.id, frame.signs) for frame in frames if frame.signs]


def _changed(archive: _Archive) -> set[Sensor]:
    """List the sensors of whose runs another thing is stored."""
    changed: set[Sensor] = set()
    for run_id, patterns in archive.fresh.items():
        before = store.sensors_of_run(archive.connection, run_id)
        for sensor in {sensor for sensor, _ in patterns}.union(before):
            stored = archive.before(sensor).get(run_id, [])
            now = [p for (own, _), p in patterns.items() if own == sensor]
            if sorted(stored, key=_source) != sorted(now, key=_source):
                changed.add(sensor)
    return changed


def _source(pattern: Pattern) -> str:
    return pattern.source


def _others(changed: Iterable[Sensor], archive: _Archive) -> set[int]:
    return {run_id for sensor in changed for run_id in archive.seen_otherwise(sensor)}


def _different(
    run_id: int, night: str, groups: Groups, archive: _Archive
) -> dict[int, tuple[str | None, str | None]]:
    """Find the frames of a run about whose rows something else is stored than holds."""
    different: dict[int, tuple[str | None, str | None]] = {}
    for (sensor, source), frames in groups.items():
        group = _Group(run_id, night, sensor, source, frames)
        judged = _judged(group, archive) if source not in ("", DARK) else {}
        for frame in frames:
            finding = judged.get(frame.id, Finding())
            if (finding.fault, finding.doubt) != frame.stored:
                different[frame.id] = finding.fault, finding.doubt
    return different


@dataclass(frozen=True, slots=True)
class _Group:
    """The frames of a run that one sensor took, whose rows show the same."""

    run_id: int
    night: str
    sensor: Sensor
    source: str
    frames: Sequence[LookedFrame]


def _judged(group: _Group, archive: _Archive) -> dict[int, Finding]:
    seen = _looked(group.frames)
    if not seen:
        return {}
    by_run = archive.of(group.sensor)
    elsewhere = [p for other, own in by_run.items() if other != group.run_id for p in own]
    count = sum(p.frames for p in elsewhere if p.source == group.source)
    own = own_by(archive.census(group.sensor), group.night)
    return findings(seen, company_of(group.sensor.height, len(group.frames), seen, count, own))
