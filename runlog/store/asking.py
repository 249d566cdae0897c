"""What a look at the whole archive counts: kinds of frames, and questions their headers leave."""

from typing import Any

from sqlalchemy import Connection, Text, cast, func, or_, select

from runlog.store import models as m

_F = m.frame.c


def count_by_kind(connection: Connection) -> dict[tuple[str, bool], int]:
    """Count frames by kind, and by whether they count for their exposure."""
    # By camera first, as the index is sorted: nothing has to be sorted then.
    query = select(_F.kind, _F.counted, func.count()).group_by(_F.camera_key, _F.kind, _F.counted)
    found: dict[tuple[str, bool], int] = {}
    for kind, counted, count in connection.execute(query):
        found[kind, bool(counted)] = found.get((kind, bool(counted)), 0) + count
    return found


def questions_asked(connection: Connection) -> dict[int, list[dict[str, Any]]]:
    """Load the questions of all frames that ask any, by frame."""
    doubtful = or_(*(cast(q, Text) != "[]" for q in (_F.header_questions, _F.run_questions)))
    asking = select(m.run.c.id).where(m.run.c.asking > 0)
    query = select(_F.id, _F.header_questions, _F.run_questions)
    rows = connection.execute(query.where(_F.run_id.in_(asking), doubtful))
    return {r.id: [*r.header_questions, *r.run_questions] for r in rows}


def nights_asking(connection: Connection) -> list[str]:
    """List the nights with a run that asks."""
    query = select(m.run.c.night).distinct().where(m.run.c.asking > 0)
    return list(connection.execute(query.order_by(m.run.c.night)).scalars())
