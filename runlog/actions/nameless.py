"""Name stored frames whose headers name no target, all of them together."""

from sqlalchemy import Connection, Engine

from runlog.actions.interpret import SKYWARD, field_of_view_deg
from runlog.core.corrections.correction import Field
from runlog.core.corrections.in_force import TargetChanges, spelling_key
from runlog.core.targets.nameless import Nameless, gathered, name_of
from runlog.core.targets.names import NO_TARGET, USUAL_FIELD_DEG, TargetNames
from runlog.store import goals as goal_store
from runlog.store import targets as store
from runlog.store.catalogue import target_names
from runlog.store.engine import reading, writing
from runlog.store.runs import dirty_runs
from runlog.store.shown import shows_otherwise
from runlog.store.targets import Pointed

SKYWARD_NAMES = tuple(kind.value for kind in SKYWARD)


def gather_behind(engine: Engine) -> None:
    """Name the nameless anew where a run whose frames changed holds some."""
    with reading(engine) as connection:
        changes = store.changes_in_force(connection)
        behind = [run.id for run in dirty_runs(connection)]
        nameless = [i for i in behind if _holds_nameless(connection, i, changes)]
        news = any(shows_otherwise(connection, run_id) for run_id in nameless)
    if news:
        with writing(engine) as connection:
            # Read again: a merge may have come in between.
            name_nameless(connection, store.changes_in_force(connection), target_names())


def _holds_nameless(connection: Connection, run_id: int, changes: TargetChanges) -> bool:
    spellings = store.spellings_of_run(connection, run_id, SKYWARD_NAMES)
    return any(says_nothing(raw, changes, target_names()) for raw in spellings)


def says_nothing(raw: str | None, changes: TargetChanges, names: TargetNames) -> bool:
    """Tell whether a header's spelling names no target, nor did a person say which it is."""
    return spelling_key(raw) not in changes.apart and names.fold(raw).name == NO_TARGET


def name_nameless(connection: Connection, changes: TargetChanges, names: TargetNames) -> int:
    """Name all frames without a name; returns how many light frames got another one."""
    spellings = [
        raw for raw in store.all_spellings(connection) if says_nothing(raw, changes, names)
    ]
    rows = [
        row
        for row in store.nameless_frames(connection, spellings, SKYWARD_NAMES, NO_TARGET)
        if Field.TARGET not in (row.corrected or ())
    ]
    skyward = [_pointing(row) for row in rows if row.header_kind in SKYWARD_NAMES]
    pointing = [frame for frame in skyward if frame is not None]
    named = {row.id: NO_TARGET for row in rows}
    spoken = _spoken(connection, changes)
    for group in gathered(pointing):
        name = changes.final(name_of(group, names, spoken))
        named |= {frame.id: name for frame in group}
    changed = {row.id: named[row.id] for row in rows if named[row.id] != row.target}
    store.rename_frames(connection, changed)
    return sum(row.listed for row in rows if row.id in changed)


def _pointing(row: Pointed) -> Nameless | None:
    if row.ra_deg is None or row.dec_deg is None:
        return None
    field_deg = field_of_view_deg(row.width, row.height, row.arcsec_per_px)
    start = row.taken_at_utc.isoformat() if row.taken_at_utc else "undated"  # after all that are
    # World coordinates measure each frame's scale a little otherwise: to three figures it is one.
    field_deg = float(f"{field_deg or USUAL_FIELD_DEG:.3g}")
    first = (start, row.content_key)
    return Nameless(row.id, first, row.ra_deg, row.dec_deg, field_deg)


def _spoken(connection: Connection, changes: TargetChanges) -> frozenset[str]:
    """List the names a person used: those stay, whatever frames come."""
    goals = (target for target, _ in goal_store.goals(connection))
    return frozenset((*changes.same, *changes.same.values(), *changes.apart.values(), *goals))
