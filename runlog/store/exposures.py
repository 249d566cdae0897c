"""Which frame of an exposure counts, whatever order its copies were scanned in."""

from collections.abc import Collection, Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    Integer,
    Row,
    String,
    and_,
    cast,
    func,
    or_,
    select,
    update,
)

from runlog.core.frame import FrameHeader, Kind, Stage
from runlog.core.identity import (
    COPY_TOLERANCE_S,
    Copy,
    counted_keys,
    fold_name,
    same_exposure,
)
from runlog.store import models as m
from runlog.store.mine import my_frames
from runlog.store.runs import touch

LAST_OF_TEN = 9


def contends(header: FrameHeader) -> bool:
    """Tell whether a frame is one exposure, of which others may be copies."""
    return (
        header.taken_at_utc is not None
        and header.exposure_s is not None
        and header.kind is not Kind.STACK  # made of many, and often dated as the first
    )


def recount(connection: Connection, start: datetime) -> int:
    """Choose again which frame counts among those that may share an exposure with `start`.

    Returns how many frames count no more, or do now.
    """
    changed = _to_change(connection, start)
    for row in changed:
        connection.execute(
            update(m.frame).where(m.frame.c.id == row.id).values(counted=not row.counted)
        )
    touch(connection, sorted({row.run_id for row in changed}))
    return len(changed)


def recount_new(connection: Connection, starts: Collection[datetime]) -> None:
    """Choose again among the frames about the starts of new ones; most have no other near."""
    if not starts:
        return
    f, margin = m.frame.c, timedelta(seconds=COPY_TOLERANCE_S)
    about = or_(*[f.taken_at_utc.between(s - margin, s + margin) for s in sorted(starts)])
    query = select(f.taken_at_utc).where(about).order_by(f.taken_at_utc)
    stored = connection.execute(query).scalars().all()
    near = {s for pair in pairwise(stored) if pair[1] - pair[0] <= 2 * margin for s in pair}
    for start in sorted(near & set(starts)):
        recount(connection, start)


def _to_change(connection: Connection, start: datetime) -> list[Row[Any]]:
    """Find the frames to count otherwise; those of rigs that others keep stay as they are.

    Where one of theirs counts, no copy of this login's does besides: an exposure counts once.
    """
    wrong = _chosen_wrongly(connection, start)
    mine = my_frames(connection, [row.id for row in wrong])
    if len(mine) == len(wrong):
        return wrong
    rows = _neighbours(connection, start)
    mine = my_frames(connection, [row.id for row in rows])
    fixed = [_copy(row) for row in rows if row.id not in mine and row.counted]
    own = [row for row in rows if row.id in mine]
    free = [r for r in own if not any(same_exposure(_copy(r), other) for other in fixed)]
    counted = counted_keys(_copy(row) for row in free)
    return [row for row in own if row.counted != (row.content_key in counted)]


def _chosen_wrongly(connection: Connection, start: datetime) -> list[Row[Any]]:
    rows = _neighbours(connection, start)
    counted = counted_keys(_copy(row) for row in rows)
    return [row for row in rows if row.counted != (row.content_key in counted)]


def counted_twice(connection: Connection) -> dict[datetime, int]:
    """Find the exposures that count more than once: a start of each, and how often too many."""
    found: dict[datetime, int] = {}
    done: set[int] = set()
    for start in _close_starts(connection.execute(_NEIGHBOURS).all()):
        wrong = [r for r in _chosen_wrongly(connection, start) if r.counted and r.id not in done]
        done |= {row.id for row in wrong}
        if wrong:
            found[start] = len(wrong)
    return found


def _close_starts(pairs: Iterable[Sequence[str]]) -> Iterator[datetime]:
    """Give the starts that another follows so soon that both may be of one exposure."""
    for pair in pairs:
        start, later = (datetime.fromisoformat(text).replace(tzinfo=UTC) for text in pair)
        if later - start <= timedelta(seconds=COPY_TOLERANCE_S):
            yield start


_F = m.frame.c
# As text, which every database compares alike.
_START = cast(_F.taken_at_utc, String)
_STARTS = (
    select(_START.label("start"), func.lead(_START).over(order_by=_F.taken_at_utc).label("later"))
    .where(_F.counted, _F.taken_at_utc.is_not(None), _F.exposure_s.is_not(None))
    .where(_F.header_kind != Kind.STACK.value)
    .subquery()
    .c
)


def _second(moment: ColumnElement[str]) -> ColumnElement[int]:
    return cast(func.substr(moment, 19, 1), Integer)


# Of a whole archive's starts only those in the same second as the next, or the one before it, are
# worth reading as times; their text is alike up to the ten seconds.
_SAME_TEN = func.substr(_STARTS.start, 1, 18) == func.substr(_STARTS.later, 1, 18)
_NEIGHBOURS = (
    select(_STARTS.start, _STARTS.later)
    .where(
        or_(
            and_(_SAME_TEN, _second(_STARTS.later) - _second(_STARTS.start) <= 1),
            and_(~_SAME_TEN, _second(_STARTS.start) == LAST_OF_TEN),
        )
    )
    .order_by(_STARTS.start)
)


def recount_all(connection: Connection) -> None:
    """Choose again among all frames that were taken for copies, as when the rule has changed."""
    f = m.frame.c
    query = select(f.taken_at_utc).where(~f.counted, f.taken_at_utc.is_not(None)).distinct()
    for start in connection.execute(query.order_by(f.taken_at_utc)).scalars().all():
        recount(connection, start)


def _copy(row: Row[Any]) -> Copy:
    return Copy(
        row.content_key,
        row.taken_at_utc,
        row.exposure_s,
        row.camera_key,
        Stage(row.stage),
        row.card_count,
        fold_name(row.telescope),
    )


def _neighbours(connection: Connection, start: datetime) -> Sequence[Row[Any]]:
    """Load the frames about `start` and whatever shares an exposure with one of them.

    A fixed window alone would cut a pair at its edge in two and count both.
    """
    margin = timedelta(seconds=COPY_TOLERANCE_S)
    members = list(_started(connection, start - margin, start + margin))
    while members:
        starts = [row.taken_at_utc for row in members]
        have = {row.id for row in members}
        near = [_copy(row) for row in members]
        more = [
            row
            for row in _started(connection, min(starts) - margin, max(starts) + margin)
            if row.id not in have and any(same_exposure(_copy(row), copy) for copy in near)
        ]
        if not more:
            break
        members += more
    return members


def _started(connection: Connection, first: datetime, last: datetime) -> Sequence[Row[Any]]:
    f = m.frame.c
    query = (
        select(f.id, f.content_key, f.taken_at_utc, f.exposure_s, f.camera_key, f.stage, f.counted)
        .add_columns(f.run_id, m.header.c.card_count, m.rig.c.telescope)
        .join(m.run, m.run.c.id == f.run_id)
        .join(m.rig, m.rig.c.id == m.run.c.rig_id)
        .join(m.header, and_(m.header.c.frame_id == f.id, m.header.c.speaks))
        .where(f.taken_at_utc >= first, f.taken_at_utc <= last)
        .where(f.exposure_s.is_not(None), f.header_kind != Kind.STACK.value)
    )
    return connection.execute(query).all()
