"""A selection as conditions of a query: the one place that says what it means in the database."""

import operator
import os
from collections.abc import Callable, Iterator, Mapping
from fnmatch import fnmatch
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Connection,
    FromClause,
    String,
    and_,
    cast,
    extract,
    func,
    not_,
    or_,
    select,
)

from runlog.core.frame import Kind
from runlog.core.selection import PANEL, Selection, Term
from runlog.core.targets.places import apart_deg
from runlog.store import models as m
from runlog.store.listing import paths_of_frames, written_out

Condition = ColumnElement[bool]


def lights() -> tuple[Condition, ...]:
    """Mean the light frames that lists of them and sums count."""
    return m.frame.c.kind == Kind.LIGHT.value, m.frame.c.counted


def where(connection: Connection, selection: Selection) -> list[Condition]:
    """Mean the frames of a selection, in any query over the table of frames."""
    found = [*of_groups(selection, m.frame), *_of_frames(selection)]
    found += [_term(term) for term in selection.terms]
    if {selection.folder, selection.pattern, selection.near_deg} != {None}:
        found.append(_one_of(_looked_at(connection, selection, found)))
    return found


def of_groups(selection: Selection, rows: FromClause) -> list[Condition]:
    """Mean the rows of frames or of sums by night, rig, target and filter alone."""
    found = []
    for name, ask in _GROUPS.items():
        value = getattr(selection, name)
        if value is not None:
            found.append(ask(rows.c, value))
    return found


def of_runs(selection: Selection) -> list[Condition]:
    """Mean the runs of a selection by night and rig alone."""
    r = m.run.c
    asked: Mapping[str, Callable[[Any], Condition]] = {
        "run_id": lambda number: r.id == number,
        "night": lambda night: r.night == night,
        "since": lambda night: r.night >= night,
        "until": lambda night: and_(r.night <= night, r.night != ""),
        "rigs": lambda names: r.rig_id.in_(select(m.rig.c.id).where(m.rig.c.name.in_(names))),
    }
    values = ((ask, getattr(selection, name)) for name, ask in asked.items())
    return [ask(value) for ask, value in values if value is not None]


def _in_runs(name: str) -> Callable[[Any, Any], Condition]:
    def ask(columns: Any, value: Any) -> Condition:
        runs = select(m.run.c.id).where(*of_runs(Selection(**{name: value})))
        return columns.run_id.in_(runs)  # type: ignore[no-any-return]

    return ask


def _of_target(columns: Any, name: str) -> Condition:
    panels = columns.target.startswith(f"{name}{PANEL}", autoescape=True)
    return or_(columns.target == name, panels)


_GROUPS: Mapping[str, Callable[[Any, Any], Condition]] = {
    **{name: _in_runs(name) for name in ("night", "since", "until", "rigs")},
    "target": _of_target,
    "filter": lambda columns, name: columns.filter == name,
    "run_id": lambda columns, number: columns.run_id == number,
}


def _of_frames(selection: Selection) -> Iterator[Condition]:
    f = m.frame.c
    if selection.grade is not None:
        yield and_(f.grade == selection.grade, f.kind == Kind.LIGHT.value)
    if selection.fault is not None:
        yield _has_fault(selection.fault)
    if selection.kind is not None:
        yield f.kind == selection.kind
    if selection.frame_ids is not None:
        yield _one_of(selection.frame_ids)


def _has_fault(name: str) -> Condition:
    return cast(m.frame.c.faults, String).contains(f'"{name}"', autoescape=True)


def _one_of(frame_ids: tuple[int, ...]) -> Condition:
    return m.frame.c.id.in_(written_out(frame_ids))


# --- what no database can tell in words of its own ------------------------------------------


def _looked_at(
    connection: Connection, selection: Selection, others: list[Condition]
) -> tuple[int, ...]:
    """Find by their paths and places the frames that all else leaves."""
    f = m.frame.c
    rows = connection.execute(select(f.id, f.ra_deg, f.dec_deg).where(*others)).all()
    ids = [r.id for r in rows if _is_near(r.ra_deg, r.dec_deg, selection)]
    if selection.folder is not None or selection.pattern is not None:
        paths = paths_of_frames(connection)
        ids = [i for i in ids if any(_lies_at(path, selection) for path, _ in paths.get(i, ()))]
    return tuple(ids)


def _is_near(ra_deg: float | None, dec_deg: float | None, selection: Selection) -> bool:
    if selection.near_deg is None:
        return True
    ra, dec, radius = selection.near_deg
    return (
        ra_deg is not None and dec_deg is not None and apart_deg(ra, dec, ra_deg, dec_deg) <= radius
    )


def _lies_at(path: bytes, selection: Selection) -> bool:
    folder, pattern = selection.folder, selection.pattern
    if folder is not None and not path.startswith(_start(folder)):
        return False
    return pattern is None or is_named(path, pattern)


def is_named(path: bytes, pattern: str) -> bool:
    """Tell whether the name of a file is this one, or fits it as a pattern."""
    name = os.fsdecode(path.rsplit(b"/", 1)[-1])
    return name == pattern or fnmatch(name, pattern)


def _start(folder: bytes) -> bytes:
    """Give what paths in a folder start with; "name:" is a root that is not on this machine."""
    whole_root = folder.endswith(b":") and b"/" not in folder
    return folder if whole_root else folder.rstrip(b"/") + b"/"


# --- plain words ----------------------------------------------------------------------------


def _term(term: Term) -> Condition:
    # A frame without the value fails "above 3" and passes "not above 3": NULL counts as no.
    found = func.coalesce(_asked(term), False)
    return not_(found) if term.negated else found


_COMPARE: Mapping[str, Callable[[Any, Any], Condition]] = {
    "above": operator.gt, "below": operator.lt, "least": operator.ge, "most": operator.le,
    "equal": operator.eq,
}  # fmt: skip


def _asked(term: Term) -> Condition:
    f = m.frame.c
    if term.about in _COMPARE:
        return _COMPARE[term.about](f[term.column], term.number)
    if term.about == "clock":
        return _started_between(int(term.number), int(term.until))
    plain: Mapping[str, Callable[[], Condition]] = {
        "person": lambda: f.graded_by == "person",
        "noted": lambda: f.note.is_not(None),
        "text": lambda: _text(term.value),
    }
    if term.about in plain:
        return plain[term.about]()
    same = Selection(**{term.about: term.value})  # type: ignore[arg-type]
    return and_(*of_groups(same, m.frame), *_of_frames(same))


def _started_between(first_s: int, last_s: int) -> Condition:
    """Compare times of day; a stretch may run over midnight."""
    start = m.frame.c.taken_at_utc
    parts = ((extract("hour", start), 3600), (extract("minute", start), 60))
    of_day = sum((part * seconds for part, seconds in parts), extract("second", start))
    if first_s <= last_s:
        return and_(of_day >= first_s, of_day < last_s + 1)
    return or_(of_day >= first_s, of_day < last_s + 1)


def _text(word: str) -> Condition:
    """Look for a word in what a person would call a frame by."""
    f = m.frame.c
    columns = (f.target, f.target_raw, f.filter, f.note)
    return or_(*(func.lower(column).contains(word, autoescape=True) for column in columns))
