"""What settling a run reads of its frames, and writes back in one go."""

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from datetime import datetime
from typing import Any, NamedTuple

from sqlalchemy import Connection, Row, bindparam, delete, insert, select, update

from runlog.core.frame import Kind
from runlog.core.ledger.totals import RunSum
from runlog.store import models as m
from runlog.store.runs import RunState

Rows = Sequence[Row[*tuple[Any, ...]]]
AT_ONCE = 500  # values in one statement; databases have a limit


class StoredFrame(NamedTuple):
    """The columns of one frame that settling looks at.

    Far fewer than the table has, in a plain tuple: settling reads every frame of an archive, and
    a database row costs more to look into than to load.
    """

    id: int
    content_key: str
    counted: bool
    kind: str
    kind_from: str
    header_kind: str
    header_kind_from: str
    stage: str
    camera_key: str
    taken_at_utc: datetime | None
    exposure_s: float | None
    target: str
    filter: str
    width: int
    height: int
    binning_x: int
    gain: float | None
    egain_e_adu: float | None
    offset: float | None
    pixel_um: float | None
    focal_mm: float | None
    arcsec_per_px: float | None
    readout_mode: str | None
    sensor_c: float | None
    set_c: float | None
    focus_pos: float | None
    focus_c: float | None
    ra_deg: float | None
    dec_deg: float | None
    latitude_deg: float | None
    longitude_deg: float | None
    elevation_m: float | None
    pier_side: str | None
    header_airmass: float | None
    header_pedestal_adu: float | None
    measured_with: int | None
    stars: int | None
    fwhm_px: float | None
    fwhm_px_err: float | None
    axis_ratio: float | None
    eccentricity: float | None
    eccentricity_err: float | None
    elongation_deg: float | None
    alignment: float | None
    hfr_px: float | None
    background_adu: float | None
    noise_adu: float | None
    hot_pixels_ppm: float | None
    beta: float | None
    ranked_flux_adu: float | None
    width_from: str | None
    clipped_stars: int | None
    streaks: list[Any] | None
    field: dict[str, Any] | None
    notes: list[str] | None
    level: dict[str, Any] | None
    doubled_share: float | None
    doubled_px: float | None
    airmass: float | None
    moon_alt_deg: float | None
    moon_sep_deg: float | None
    sun_alt_deg: float | None
    pedestal_adu: float | None
    pedestal_from: str | None
    readout: str | None
    readout_doubt: str | None
    rows_out_of_place: str | None
    matched_to: str | None
    matched_past: str | None
    best_of_name: str | None
    field_runs: int | None
    throughput: float | None
    transparency: float | None
    shift_x_px: float | None
    shift_y_px: float | None
    rotation_deg: float | None
    effective_s: float | None
    effective_form: str | None
    run_questions: list[Any]
    auto_grade: str
    grade: str
    graded_by: str
    faults: list[Any]
    note: str | None


LOADED = select(*[m.frame.c[name] for name in StoredFrame._fields])
# Built once: it has too many columns to be put together again for every run.
_OF_RUN = LOADED.where(m.frame.c.run_id == bindparam("run")).order_by(*m.IN_TIME)


def stored_frames(rows: Rows) -> list[StoredFrame]:
    """Turn rows of `LOADED` into plain tuples."""
    return [StoredFrame._make(row) for row in rows]


def frames_to_settle(connection: Connection, run_id: int) -> list[StoredFrame]:
    """Load all frames of a run in time order, then by key, with no regard to scan order."""
    return stored_frames(connection.execute(_OF_RUN, {"run": run_id}).all())


def frames_by_key(connection: Connection, keys: Sequence[str]) -> dict[str, StoredFrame]:
    """Load some frames by their content keys."""
    found: dict[str, StoredFrame] = {}
    for start in range(0, len(keys), AT_ONCE):
        query = LOADED.where(m.frame.c.content_key.in_(keys[start : start + AT_ONCE]))
        rows = stored_frames(connection.execute(query).all())
        found |= {frame.content_key: frame for frame in rows}
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
    sums: Sequence[RunSum],
    grounds: str,
) -> bool:
    """Write a settled run in one go; False, and nothing written, if it changed meanwhile."""
    if connection.execute(_REVISION, {"id": run.id}).scalar_one() != run.revision:
        return False
    _update_frames(connection, frames)
    # Before the sums: where writers work side by side, another one waits here for this one's end,
    # and then finds the sums that it is to replace.
    now = {"run": run.id, "settled_revision": run.revision, "policy": grounds}
    connection.execute(_NOTE_SETTLED, now)
    connection.execute(_DROP_SUMS, {"id": run.id})
    if sums:
        connection.execute(_ADD_SUMS, [asdict(s) | {"run_id": run.id} for s in sums])
    return True


_REVISION = select(m.run.c.revision).where(m.run.c.id == bindparam("id"))
_DROP_SUMS = delete(m.run_sum).where(m.run_sum.c.run_id == bindparam("id"))
_ADD_SUMS = insert(m.run_sum)
_NOTE_SETTLED = (
    update(m.run)
    .where(m.run.c.id == bindparam("run"))
    .values(settled_revision=bindparam("settled_revision"), policy=bindparam("policy"))
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
