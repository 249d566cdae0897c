"""What the frames of a run show to other runs, in a digest: whether these must be looked at again.

A run is settled anew for many reasons, most of which, as a mark, change nothing that the answers
of other runs rest on. Only where the digest is not the one of its last settling are fields, rows
and lines of light of the whole rig looked at.
"""

import hashlib
from collections.abc import Iterable, Sequence
from typing import Any

from sqlalchemy import JSON, ColumnElement, Connection, String, bindparam, cast, select, update

from runlog.store import models as m
from runlog.store.mine import my_runs
from runlog.store.runs import runs_of_frames, touch_runs

_F = m.frame.c
_COLUMNS = (
    *(_F.id, _F.content_key, _F.counted, _F.header_kind, _F.stage, _F.camera_key),
    *(_F.width, _F.height, _F.binning_x, _F.binning_y, _F.gain, _F.offset, _F.readout_mode),
    *(_F.target, _F.target_raw, _F.corrected, _F.filter, _F.taken_at_utc, _F.exposure_s),
    *(_F.ra_deg, _F.dec_deg, _F.arcsec_per_px, _F.header_pedestal_adu),
    *(_F.measured_with, _F.stars, _F.fwhm_px, _F.eccentricity, _F.noise_adu, _F.ranked_flux_adu),
    *(_F.clipped_stars, _F.level, _F.signs, _F.readout, _F.readout_doubt),
    *(_F.matched_to, _F.matched_past, _F.best_of_name, _F.field_runs, _F.depth_base),
    *(_F.shift_x_px, _F.shift_y_px, _F.rotation_deg, _F.streaks_seen, _F.streaks),
)
NOT_KNOWN = ""


def _plain(column: ColumnElement[Any]) -> ColumnElement[Any]:
    """Take what is kept as JSON, or as a moment, as text: nothing but its digest is asked for."""
    if isinstance(column.type, JSON):
        return cast(column, String)
    return column


# Built once: it is asked of each run that is settled.
_SHOWN = (
    select(*[_plain(column) for column in _COLUMNS])
    .where(_F.run_id == bindparam("run"))
    .order_by(_F.id)
)
_DIRTY = (
    select(m.run.c.id, m.run.c.shown)
    .where(m.run.c.revision != m.run.c.settled_revision)
    .order_by(m.run.c.id)
)
_SHOWN_LAST = select(m.run.c.shown).where(m.run.c.id == bindparam("run"))
_REMEMBER = (
    update(m.run)
    .where(m.run.c.id == bindparam("run"))
    .values(shown=bindparam("digest"), asking=bindparam("questions"))
)
_LOOK_ANEW = update(m.run).where(m.run.c.id == bindparam("run")).values(shown=NOT_KNOWN)


def runs_that_changed(connection: Connection) -> list[int]:
    """List the runs to settle that show something else than when they were settled last."""
    return [
        run_id
        for run_id, shown in connection.execute(_DIRTY.where(*my_runs(connection))).all()
        if _differs(connection, run_id, shown)
    ]


def shows_otherwise(connection: Connection, run_id: int) -> bool:
    """Tell whether a run shows something else than when it was settled last."""
    shown = str(connection.execute(_SHOWN_LAST, {"run": run_id}).scalar_one())
    return _differs(connection, run_id, shown)


def _differs(connection: Connection, run_id: int, shown: str) -> bool:
    return shown == NOT_KNOWN or shown != _digest(connection, run_id)


def remember_shown(connection: Connection, run_id: int, asking: int) -> None:
    """Note what a run shows and how many frames ask, in the transaction that settles it."""
    shown = _digest(connection, run_id)
    connection.execute(_REMEMBER, {"run": run_id, "digest": shown, "questions": asking})


def look_anew(connection: Connection, run_ids: Iterable[int]) -> None:
    """Have runs compared with others again, whatever their own frames show."""
    rows = [{"run": run_id} for run_id in sorted(run_ids)]
    if rows:
        connection.execute(_LOOK_ANEW, rows)


def leave_to_others(connection: Connection, frame_ids: Sequence[int]) -> None:
    """Have those who keep the rigs of some frames look at these anew: only they change them."""
    runs = runs_of_frames(connection, frame_ids)
    touch_runs(connection, runs)
    look_anew(connection, runs)


def _digest(connection: Connection, run_id: int) -> str:
    said = hashlib.blake2b(digest_size=16)
    for row in connection.execute(_SHOWN, {"run": run_id}):
        said.update(repr(tuple(row)).encode())
    return said.hexdigest()
