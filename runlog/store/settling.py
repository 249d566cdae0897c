"""What settling a run reads of its frames, and writes back in one go."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection, Row, bindparam, delete, insert, select, update

from runlog.core.frame import Frame, Kind
from runlog.core.ledger.totals import RunSum
from runlog.store import models as m
from runlog.store.calibration import put_shots
from runlog.store.loading import WHOLE
from runlog.store.parts import in_parts
from runlog.store.runs import RunState

Rows = Sequence[Row[*tuple[Any, ...]]]


# Built once: it has too many columns to be put together again for every run.
_OF_RUN = WHOLE.query.where(m.frame.c.run_id == bindparam("run")).order_by(*m.IN_TIME)


def frames_of_run(connection: Connection, run_id: int) -> list[Frame]:
    """Load all frames of a run in time order, then by key, with no regard to scan order."""
    return WHOLE.load(connection, _OF_RUN, {"run": run_id})


def frames_by_key(connection: Connection, keys: Sequence[str]) -> dict[str, Frame]:
    """Load some frames by their content keys."""
    found: dict[str, Frame] = {}
    for part in in_parts(keys):
        query = WHOLE.query.where(m.frame.c.content_key.in_(part))
        found |= {frame.key: frame for frame in WHOLE.load(connection, query)}
    return found


def zero_levels(connection: Connection, camera_key: str) -> Rows:
    """Load levels of a camera's bias and dark frames: where its zero of light lies."""
    f = m.frame.c
    query = (
        select(f.kind, f.gain, f.offset, f.binning_x, f.readout_mode, f.exposure_s, f.level)
        .where(f.camera_key == camera_key, f.kind.in_([Kind.BIAS.value, Kind.DARK.value]))
        .where(f.stage == "raw", f.level.is_not(None))
        .order_by(f.content_key)
    )
    return connection.execute(query).all()


def write_settled(
    connection: Connection,
    run: RunState,
    frames: Sequence[Mapping[str, Any]],
    sums: Sequence[RunSum] | None,
    settled_by: str,
    depth_form: str,
) -> bool:
    """Write a settled run in one go; False, and nothing written, if it changed meanwhile.

    Nor if another program settled it meanwhile: what that changed is that one's to tell.
    Without `sums` what it adds up to is as it was.
    """
    revision, settled = connection.execute(_REVISIONS, {"id": run.id}).one()
    if revision != run.revision or settled == revision:
        return False
    _update_frames(connection, frames)
    # Before the sums: where writers work side by side, another one waits here for this one's end,
    # and then finds the sums that it is to replace.
    now = {"run": run.id, "settled_revision": run.revision, "policy": settled_by}
    connection.execute(_NOTE_SETTLED, now | {"depth_form": depth_form})
    if sums is not None:
        _replace_sums(connection, run.id, sums)
    return True


def _replace_sums(connection: Connection, run_id: int, sums: Sequence[RunSum]) -> None:
    connection.execute(_DROP_SUMS, {"id": run_id})
    if sums:
        connection.execute(_ADD_SUMS, [asdict(s) | {"run_id": run_id} for s in sums])
    put_shots(connection, run_id)


_REVISIONS = select(m.run.c.revision, m.run.c.settled_revision).where(m.run.c.id == bindparam("id"))
_DROP_SUMS = delete(m.run_sum).where(m.run_sum.c.run_id == bindparam("id"))
_ADD_SUMS = insert(m.run_sum)
_NOTE_SETTLED = (
    update(m.run)
    .where(m.run.c.id == bindparam("run"))
    .values(
        settled_revision=bindparam("settled_revision"),
        policy=bindparam("policy"),
        depth_form=bindparam("depth_form"),
    )
)


def _update_frames(connection: Connection, frames: Sequence[Mapping[str, Any]]) -> None:
    """Update frames, those that change in the same columns in one statement."""
    alike: dict[tuple[str, ...], list[dict[str, Any]]] = {}
    for frame in frames:
        alike.setdefault(tuple(sorted(frame)), []).append(dict(frame))
    for names, members in alike.items():
        changed: dict[str, Any] = {name: bindparam(name) for name in names if name != "frame_id"}
        by_id = update(m.frame).where(m.frame.c.id == bindparam("frame_id"))
        connection.execute(by_id.values(changed), members)
