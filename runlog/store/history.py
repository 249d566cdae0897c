"""What settling remembers between runs: summaries, references, star lists."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from typing import Any

from sqlalchemy import (
    Connection,
    Row,
    and_,
    bindparam,
    delete,
    insert,
    or_,
    select,
    update,
)

from runlog.core.frame import Frame
from runlog.core.grading.history import (
    ENOUGH_NIGHTS,
    LAST_NIGHTS,
    NO_END,
    Dated,
    Earlier,
    candidates,
    earlier_of,
    epoch,
    first_before,
    last_after,
)
from runlog.core.grading.summary import (
    FEWEST_USABLE,
    Elongation,
    Group,
    Light,
    RunSummary,
    group_of,
)
from runlog.store import models as m
from runlog.store import notes
from runlog.store.depth import drop_ties
from runlog.store.runs import touch, touch_hearing, touch_settled
from runlog.store.shown import NOT_KNOWN, look_anew

# --- summaries of runs ----------------------------------------------------------------------

# Asked once a run and group, of thousands of runs: putting a statement together takes longer than
# running it.
_S, _R = m.run_summary.c, m.run.c
_OF_GROUP = (
    select(_R.night, m.run_summary)
    .join(m.run, _R.id == _S.run_id)
    .where(_R.rig_id == bindparam("rig"), _R.night != "")
    .where(_S.filter == bindparam("filter"), _S.setting == bindparam("setting"))
    .where(_R.night >= bindparam("first"), _R.night < bindparam("end"))
)
_SPEAKING = _OF_GROUP.where(
    _S.measured_with == bindparam("version"), _S.usable >= FEWEST_USABLE, _S.fwhm_px.is_not(None)
)
_BEFORE = _SPEAKING.where(_R.night < bindparam("night")).order_by(_R.night.desc())
_LAST_BEFORE = _BEFORE.limit(LAST_NIGHTS)
_FIRST = _SPEAKING.where(_R.night < bindparam("night")).order_by(_R.night)
_FIRST_OF_ALL = _FIRST.limit(ENOUGH_NIGHTS + 1)
_AFTER = _SPEAKING.where(_R.night > bindparam("night")).order_by(_R.night)
_SOON_AFTER = _AFTER.where(_R.night <= bindparam("last")).limit(ENOUGH_NIGHTS)
_NEXT = _AFTER.limit(LAST_NIGHTS)
_FROM = _SPEAKING.where(_R.night >= bindparam("night")).order_by(_R.night)
_FROM_ON = _FROM.limit(LAST_NIGHTS)
_NEARBY = _OF_GROUP.where(_R.night >= bindparam("since"), _R.night <= bindparam("until"))
_OF_RUN = select(m.run_summary).where(_S.run_id == bindparam("run"))


def of_frames(
    connection: Connection, rig_id: int, night: str, frames: Iterable[Frame]
) -> dict[Group, Earlier]:
    """Load what was usual on other nights of a rig for the frames of one."""
    groups = groups_of(frames)
    return usual_of(chosen_for(connection, rig_id, night, groups), night, groups)


def groups_of(frames: Iterable[Frame]) -> set[Group]:
    """List the groups of the frames that were measured."""
    return {group_of(frame) for frame in frames if frame.measurement.measured}


def usual_of(
    around: Mapping[Group, Sequence[Dated]], night: str, groups: Iterable[Group]
) -> dict[Group, Earlier]:
    """Tell what was usual in some groups on the nights chosen for them."""
    found = {group: earlier_of(around.get(group, ()), night) for group in groups}
    return {group: earlier for group, earlier in found.items() if earlier is not None}


def chosen_for(
    connection: Connection, rig_id: int, night: str, groups: Iterable[Group]
) -> dict[Group, list[Dated]]:
    """Load the nights that the law chooses for some of a night's groups."""
    if not night:
        return {}
    changes = notes.changes(connection, rig_id)
    return {
        group: candidates(_around(connection, rig_id, night, group, changes), night, changes)
        for group in groups
    }


def _around(
    connection: Connection, rig_id: int, night: str, group: Group, changes: Sequence[str]
) -> list[Dated]:
    """Load the nights among which the law chooses: no more are ever asked."""
    asked = _asked(rig_id, night, group, changes)
    rows = connection.execute(_LAST_BEFORE, asked).all()
    if len(rows) < ENOUGH_NIGHTS:
        soon = asked | {"last": last_after(night)}
        rows = [*rows, *connection.execute(_SOON_AFTER, soon).all()]
    return [Dated(row.night, summary_of_row(row)) for row in rows]


def _asked(rig_id: int, night: str, group: Group, changes: Sequence[str]) -> dict[str, Any]:
    first, end = epoch(night, changes)
    return {
        "rig": rig_id,
        "night": night,
        "filter": group.filter,
        "setting": group.setting,
        "version": group.measured_with,
        "first": first,
        "end": end,
    }


def summary_of_row(row: Row[Any]) -> RunSummary:
    """Read what a row says of a run."""
    values = {name: row._mapping[name] for name in _PLAIN}
    return RunSummary(
        **values,
        elongations=tuple(Elongation(**e) for e in row.elongations),
        lights=tuple(Light(**light) for light in row.lights),
    )


_LISTS = ("elongations", "lights")
_PLAIN = tuple(c.name for c in m.run_summary.columns if c.name not in ("run_id", *_LISTS))


def summaries_of_run(connection: Connection, run_id: int) -> list[RunSummary]:
    """Load what is said of a run, by filter and setting."""
    found = [summary_of_row(row) for row in connection.execute(_OF_RUN, {"run": run_id})]
    return sorted(found, key=lambda s: (s.filter, s.setting))


def put_summaries(connection: Connection, run_id: int, found: Sequence[RunSummary]) -> None:
    """Remember what a run says to other nights; those that it is held against become dirty."""
    stored = {s.group: s for s in summaries_of_run(connection, run_id)}
    now = {s.group: s for s in found}
    if stored == now:
        return
    connection.execute(delete(m.run_summary).where(_S.run_id == run_id))
    if now:
        rows = [asdict(s) | {"run_id": run_id} for s in now.values()]
        connection.execute(insert(m.run_summary), rows)
    this = connection.execute(select(_R.rig_id, _R.night).where(_R.id == run_id)).one()
    changed = [g for g in {**stored, **now} if stored.get(g) != now.get(g)]
    spoke = [g for g in changed if _speaks(stored.get(g)) or _speaks(now.get(g))]
    for group in sorted(spoke):
        touch_hearing(connection, holders(connection, this.rig_id, this.night, group))


def _speaks(summary: RunSummary | None) -> bool:
    return summary is not None and summary.speaks


def holders(connection: Connection, rig_id: int, night: str, group: Group) -> set[int]:
    """Find the runs that are held against a night's frames of a group, were it to speak.

    Later ones up to the eighth that speaks after it. Earlier ones of the last 60 nights that have
    fewer than three to be held against, itself not counted; it does not ask what that says itself.
    """
    if not night:
        return set()
    asked = _asked(rig_id, night, group, notes.changes(connection, rig_id))
    following = connection.execute(_NEXT, asked).all()
    until = following[-1].night if len(following) == LAST_NIGHTS else NO_END
    nearby = asked | {"since": first_before(night), "until": until}
    first = {row.night for row in connection.execute(_FIRST_OF_ALL, asked)}
    return {
        row.run_id
        for row in connection.execute(_NEARBY, nearby)
        if row.night > night or (row.night < night and len(first - {row.night}) < ENOUGH_NIGHTS)
    }


def touch_around(connection: Connection, rig_id: int, night: str) -> set[int]:
    """Mark dirty the runs that look across a night, from which on their rig may be another.

    Those after it until the eighth night that speaks, those of the 60 nights before; gives them.
    """
    groups = select(_S.filter, _S.setting, _S.measured_with).distinct()
    groups = groups.join(m.run, _R.id == _S.run_id).where(_R.rig_id == rig_id)
    until = night
    for row in connection.execute(groups).all():
        asked = _asked(rig_id, night, Group(*row), ())
        nights = [r.night for r in connection.execute(_FROM_ON, asked)]
        until = max(until, nights[-1] if len(nights) == LAST_NIGHTS else NO_END)
    near = (_R.rig_id == rig_id, _R.night >= first_before(night), _R.night <= until)
    found = set(connection.execute(select(_R.id).where(*near, _R.night != "")).scalars())
    touch(connection, sorted(found))
    return found


def put_zeros(connection: Connection, run_id: int, zeros: str, cameras: Sequence[str]) -> None:
    """Remember a run's bias and dark levels; when they changed, the camera's runs become dirty."""
    r = m.run.c
    if connection.execute(select(r.zeros).where(r.id == run_id)).scalar_one() == zeros:
        return
    connection.execute(update(m.run).where(r.id == run_id).values(zeros=zeros))
    of_camera = select(m.frame.c.run_id).where(m.frame.c.camera_key.in_(cameras))
    others = (r.id.in_(of_camera), r.id != run_id)
    touch_settled(connection, *others)
    connection.execute(update(m.run).where(*others).values(shown=NOT_KNOWN))


# --- references -----------------------------------------------------------------------------


def compared_with(connection: Connection) -> frozenset[str]:
    """List the content keys of frames that others are matched to or counted in the light of."""
    matched = select(m.frame.c.matched_to).where(m.frame.c.matched_to.is_not(None)).distinct()
    return frozenset(connection.execute(matched).scalars())


def compare_anew(connection: Connection, content_key: str, version: int) -> None:
    """Have frames compared again with one that was measured again; marks their runs dirty.

    Frames of an earlier version keep the answer of then: light compares only within a version.
    """
    f = m.frame.c
    stale = and_(f.matched_to == content_key, f.measured_with == version)
    rests_on_it = select(f.run_id).where(or_(stale, f.depth_base == content_key)).distinct()
    runs = sorted(connection.execute(rests_on_it).scalars())
    touch(connection, runs)
    look_anew(connection, runs)  # also where only a tie goes, which no frame shows
    connection.execute(update(m.frame).where(stale).values(matched_to=None))
    drop_ties(connection, content_key)
