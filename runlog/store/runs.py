"""Rigs and runs: finding or making them, marking them dirty, settling them."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    bindparam,
    func,
    or_,
    select,
    update,
)

from runlog.core.identity import fold_name
from runlog.store import models as m
from runlog.store.engine import id_of
from runlog.store.members import claim, refuse_others_rig
from runlog.store.mine import is_shared, my_runs
from runlog.store.parts import MANY_IN_ONE_QUESTION, in_parts


@dataclass(frozen=True, slots=True)
class Rig:
    """One telescope and camera, as a header describes it."""

    camera: str | None
    telescope: str | None
    focal_mm: float | None
    pixel_um: float | None

    @property
    def key(self) -> str:
        """Name the rig so that spelling, and rounding of the focal length, do not split it."""
        focal = f"{self.focal_mm:.0f}" if self.focal_mm else ""
        pixel = f"{self.pixel_um:.1f}" if self.pixel_um else ""
        return "|".join((fold_name(self.telescope), fold_name(self.camera), focal, pixel))

    @property
    def name(self) -> str:
        """Say the rig in a few words; what tells rigs apart that no header names."""
        parts = [p for p in (self.telescope, self.camera) if p]
        return " + ".join(parts) or ", ".join(("unnamed rig", *self._known))

    @property
    def _known(self) -> Iterator[str]:
        if self.focal_mm:
            yield f"{self.focal_mm:.0f} mm"
        if self.pixel_um:
            yield f"{self.pixel_um:.1f} um pixels"


@dataclass(frozen=True, slots=True)
class RunState:
    """A run as it was when somebody began to settle it."""

    id: int
    night: str
    rig_id: int
    revision: int
    settled_by: str  # the settings it was settled by the last time
    hears: bool  # nothing happened since but that other nights say something else


def run_id_for(connection: Connection, rig: Rig, night: str) -> int:
    """Find or make the run of a rig and night."""
    rig_id = _rig_id_for(connection, rig)
    return id_of(connection, m.run, {"night": night, "rig_id": rig_id}, ("night", "rig_id"))


def _rig_id_for(connection: Connection, rig: Rig) -> int:
    values = asdict(rig) | {"key": rig.key, "name": rig.name}
    known = connection.execute(select(m.rig).where(m.rig.c.key == rig.key)).one_or_none()
    if known is None:
        made = id_of(connection, m.rig, values, ("key",))
        claim(connection, made)
        return made
    refuse_others_rig(connection, known.id, known.name)
    # Of several spellings the first in the alphabet names the rig, not the first one scanned.
    if _spelling(values) < _spelling(known._asdict()):
        connection.execute(update(m.rig).where(m.rig.c.id == known.id).values(values))
    return int(known.id)


def _spelling(values: Mapping[str, Any]) -> tuple[str, ...]:
    names = ("name", "telescope", "camera", "focal_mm", "pixel_um")
    return tuple(str(values[name]) for name in names)


def touch(connection: Connection, run_ids: Iterable[int]) -> None:
    """Mark runs dirty in the caller's transaction."""
    for run_id in run_ids:
        connection.execute(
            update(m.run).where(m.run.c.id == run_id).values(revision=m.run.c.revision + 1)
        )


def touch_all(connection: Connection) -> None:
    """Mark every run dirty that may be settled here, as after a change of policy."""
    anew = update(m.run).values(revision=m.run.c.revision + 1)
    connection.execute(anew.where(*my_runs(connection)))


def dirty_runs(connection: Connection) -> list[RunState]:
    """List the runs to settle whose grades and sums are not up to date, oldest first."""
    return [RunState(*row) for row in connection.execute(_DIRTY.where(*my_runs(connection)))]


def dirty_of_others(connection: Connection) -> list[RunState]:
    """List the runs that only those who keep their rigs can bring up to date."""
    if not is_shared(connection):
        return []
    mine = {run.id for run in dirty_runs(connection)}
    return [run for row in connection.execute(_DIRTY) if (run := RunState(*row)).id not in mine]


def dirty_run(connection: Connection, run_id: int) -> RunState | None:
    """Load one run if it is not up to date."""
    row = connection.execute(_ONE_DIRTY, {"run": run_id}).one_or_none()
    return RunState(*row) if row is not None else None


_R = m.run.c
_HEARS = _R.revision == _R.heard_revision
_STATES = select(_R.id, _R.night, _R.rig_id, _R.revision, _R.policy, _HEARS)
_DIRTY = _STATES.where(m.run.c.revision != m.run.c.settled_revision).order_by(
    m.run.c.night, m.run.c.id
)
_ONE_DIRTY = _DIRTY.where(m.run.c.id == bindparam("run"))


def touch_settled(connection: Connection, *which: ColumnElement[bool]) -> int:
    """Mark dirty those of some runs that are up to date, but for what they hear; tells how many."""
    whole = or_(_R.revision == _R.settled_revision, _HEARS)
    changed = connection.execute(
        update(m.run).where(*which, whole).values(revision=_R.revision + 1)
    )
    return changed.rowcount


def touch_runs(connection: Connection, run_ids: Iterable[int]) -> None:
    """Mark dirty those of some runs that are up to date."""
    touch_settled(connection, m.run.c.id.in_(sorted(run_ids)))


def touch_settled_otherwise(connection: Connection, rig_id: int, settled_by: str) -> int:
    """Mark a rig's runs dirty that were settled by other settings; returns how many."""
    return touch_settled(connection, m.run.c.rig_id == rig_id, m.run.c.policy != settled_by)


def count_settled_otherwise(connection: Connection, rig_id: int, settled_by: str) -> int:
    """Count a rig's runs that were settled by other settings than these."""
    query = select(func.count()).select_from(m.run)
    query = query.where(m.run.c.rig_id == rig_id, m.run.c.policy != settled_by)
    return connection.execute(query).scalar_one()


def run_of_frame(connection: Connection, frame_id: int) -> RunState:
    """Load the run a frame belongs to."""
    of_frame = select(m.frame.c.run_id).where(m.frame.c.id == frame_id)
    query = _STATES.where(m.run.c.id == of_frame.scalar_subquery())
    return RunState(*connection.execute(query).one())


def all_runs(connection: Connection) -> list[RunState]:
    """List all runs, oldest first."""
    return [
        RunState(*row) for row in connection.execute(_STATES.order_by(m.run.c.night, m.run.c.id))
    ]


def runs_of_frames(connection: Connection, frame_ids: Sequence[int]) -> list[int]:
    """Find the runs that hold some frames, in order."""
    f, found = m.frame.c, set[int]()
    for part in in_parts(frame_ids, MANY_IN_ONE_QUESTION):
        found |= set(
            connection.execute(select(f.run_id).where(f.id.in_(part)).distinct()).scalars()
        )
    return sorted(found)


def touch_frames(connection: Connection, frame_ids: Sequence[int]) -> None:
    """Mark the runs of some frames dirty."""
    touch(connection, runs_of_frames(connection, frame_ids))


def touch_hearing(connection: Connection, run_ids: Iterable[int]) -> None:
    """Have those of some runs graded anew that are up to date, for what other nights say."""
    these = _R.id.in_(sorted(run_ids)), _R.revision == _R.settled_revision
    heard = {"revision": _R.revision + 1, "heard_revision": _R.revision + 1}
    connection.execute(update(m.run).where(*these).values(heard))
