"""Targets as frames name them, and the names a person merged, renamed or kept apart."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import (
    ColumnElement,
    Connection,
    and_,
    bindparam,
    case,
    func,
    insert,
    or_,
    select,
    update,
)

from runlog.core.corrections.in_force import TargetChanges, in_force
from runlog.core.selection import EVERYTHING, Selection
from runlog.store import models as m
from runlog.store.mine import my_frames, require_keeper
from runlog.store.runs import touch, touch_frames
from runlog.store.shown import leave_to_others
from runlog.store.where import lights, where

MERGE, RENAME, SPLIT, UNDO = "merge", "rename", "split", "undo"


@dataclass(frozen=True, slots=True)
class Change:
    """One line of the book of names."""

    id: int
    action: str
    subject: str
    object: str
    who: str
    at_utc: datetime
    undoes: int | None
    stands: bool


class Spelled(NamedTuple):
    """Lights that count, of one target, spelling and size, near one point."""

    target: str
    target_raw: str | None
    width: int
    height: int
    corrected: bool
    ra_deg: float | None
    dec_deg: float | None
    frames: int
    logged_s: float | None
    arcsec_per_px: float | None  # the least


class Named(NamedTuple):
    """Frames of one spelling and target."""

    target_raw: str | None
    target: str
    listed: int  # lights that lists and totals count


class Pointed(NamedTuple):
    """A frame that may get its target from where it points."""

    id: int
    content_key: str
    target: str
    corrected: list[str] | None
    header_kind: str
    taken_at_utc: datetime | None
    ra_deg: float | None
    dec_deg: float | None
    width: int
    height: int
    arcsec_per_px: float | None
    listed: int


class CorrectedFrame(NamedTuple):
    """A frame that a person corrected."""

    id: int
    content_key: str
    target_raw: str | None
    target: str
    listed: int


def changes(connection: Connection) -> list[Change]:
    """List all changes of names ever made, oldest first, and whether each still stands."""
    rows = connection.execute(select(m.target_change).order_by(m.target_change.c.id)).all()
    stand = in_force((row.id, row.undoes) for row in rows)
    return [Change(**dict(row._mapping), stands=row.id in stand) for row in rows]


def changes_in_force(connection: Connection) -> TargetChanges:
    """Load the names in force; of two lines about one name the later speaks."""
    standing = [c for c in changes(connection) if c.stands]
    return TargetChanges(
        same={c.subject: c.object for c in standing if c.action in (MERGE, RENAME)},
        apart={c.subject: c.object for c in standing if c.action == SPLIT},
    )


def require_namer(connection: Connection) -> None:
    """Refuse to change names of targets to all but the keeper."""
    require_keeper(
        connection,
        "Names of targets are everybody's here: only the keeper changes them",
        "For frames of your own rig: runlog correct target NAME --target OLD --rig RIG",
    )


def append_change(connection: Connection, values: Mapping[str, Any]) -> int:
    """Append one change; returns its number."""
    require_namer(connection)
    key = connection.execute(insert(m.target_change).values(dict(values))).inserted_primary_key
    assert key is not None
    return int(key[0])


def targets_seen(connection: Connection) -> set[str]:
    """List the targets of counted light frames, from the sums, which are few."""
    return set(connection.execute(select(m.run_sum.c.target).distinct()).scalars())


# --- spellings ------------------------------------------------------------------------------


def spellings(connection: Connection, selection: Selection = EVERYTHING) -> list[Spelled]:
    """Count the lights chosen by target, spelling in the header, and the tenth of a degree seen."""
    f = m.frame.c
    # Apart, as few are corrected: of the rest an index tells all there is to count.
    corrected = select(f.id).where(f.corrected.is_not(None))
    chosen = where(connection, selection)
    return [
        Spelled(target, raw, width, height, by_person, *counted)
        for by_person, which in ((False, f.id.not_in(corrected)), (True, f.id.in_(corrected)))
        for target, raw, width, height, *counted in connection.execute(
            _SPELLINGS.where(which, *chosen)
        )
    ]


_F = m.frame.c
_SPELLED = (_F.target, _F.target_raw, _F.width, _F.height)
_SEEN_AT = (func.round(_F.ra_deg * 10), func.round(_F.dec_deg * 10))
_SPELLINGS = (
    select(*_SPELLED, *(tenths / 10 for tenths in _SEEN_AT))
    .add_columns(func.count(), func.sum(_F.exposure_s), func.min(_F.arcsec_per_px))
    .where(*lights())
    .group_by(*_SPELLED, *_SEEN_AT)
)


def lights_called(connection: Connection, target: str) -> set[int]:
    """List the light frames that the list counts under one name."""
    f = m.frame.c
    query = select(f.id).where(*lights(), f.target == target)
    return set(connection.execute(query).scalars())


def named_frames(connection: Connection) -> list[Named]:
    """Count frames by spelling and target; `listed` are the lights that the list counts."""
    f = m.frame.c
    query = (
        select(f.target_raw, f.target, func.sum(_listed()).label("listed"))
        .where(_plain_target())
        .group_by(f.target_raw, f.target)
    )
    return [Named(*row) for row in connection.execute(query)]


def all_spellings(connection: Connection) -> list[str | None]:
    """List every spelling of a target in any header, and None where one has none."""
    return list(connection.execute(select(m.frame.c.target_raw).distinct()).scalars())


def spellings_of_run(connection: Connection, run_id: int, kinds: Sequence[str]) -> set[str | None]:
    """List the spellings of targets in a run, of frames of some kinds."""
    f = m.frame.c
    query = select(f.target_raw).distinct().where(f.run_id == bindparam("run"))
    of_run = query.where(f.header_kind.in_(kinds))
    return set(connection.execute(of_run, {"run": run_id}).scalars())


def nameless_frames(
    connection: Connection, spellings: Sequence[str | None], kinds: Sequence[str], no_target: str
) -> list[Pointed]:
    """Load the frames of some spellings that may have a target, or have one already."""
    f = m.frame.c
    columns = (f.id, f.content_key, f.target, f.corrected, f.header_kind, f.taken_at_utc)
    pointing = (f.ra_deg, f.dec_deg, f.width, f.height, f.arcsec_per_px)
    spelled = or_(f.target_raw.is_(None), f.target_raw.in_([s for s in spellings if s is not None]))
    query = select(*columns, *pointing, _listed().label("listed"))
    query = query.where(spelled, or_(f.header_kind.in_(kinds), f.target != no_target))
    return [Pointed._make(row) for row in connection.execute(query)]


def corrected_frames(connection: Connection) -> list[CorrectedFrame]:
    """Load what tells a target, of the frames with any correction: they are named one by one."""
    f = m.frame.c
    columns = (f.id, f.content_key, f.target_raw, f.target, _listed().label("listed"))
    query = select(*columns).where(f.corrected.is_not(None)).order_by(f.id)
    return [CorrectedFrame(*row) for row in connection.execute(query)]


def _listed() -> ColumnElement[int]:
    """Tell the lights that lists and totals count: 1 or 0."""
    return case((and_(*lights()), 1), else_=0)


def _plain_target() -> ColumnElement[bool]:
    return m.frame.c.corrected.is_(None)


def rename_spelling(connection: Connection, raw: str | None, old: str, new: str) -> None:
    """Give the frames of one spelling another target, and leave their runs to be settled."""
    f = m.frame.c
    same_raw = f.target_raw.is_(None) if raw is None else f.target_raw == raw
    which = and_(same_raw, f.target == old, _plain_target())
    runs = connection.execute(select(f.run_id).where(which).distinct()).scalars().all()
    connection.execute(update(m.frame).where(which).values(target=new, matched_to=None))
    touch(connection, sorted(runs))


def rename_frames(connection: Connection, names: Mapping[int, str]) -> None:
    """Give single frames another target.

    Of frames that others keep only the runs are marked, so that these name them next.
    """
    f = m.frame.c
    mine = my_frames(connection, list(names))
    leave_to_others(connection, [i for i in names if i not in mine])
    names = {i: name for i, name in names.items() if i in mine}
    if not names:
        return
    change = update(m.frame).where(f.id == bindparam("frame"))
    connection.execute(
        change.values(target=bindparam("name"), matched_to=None),
        [{"frame": i, "name": name} for i, name in names.items()],
    )
    touch_frames(connection, list(names))
