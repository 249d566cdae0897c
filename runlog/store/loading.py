"""Rows of the table of frames as frames: whole, or without what a list never shows."""

from collections.abc import Iterable, Mapping
from typing import Any

from sqlalchemy import Connection, Row, Select, select

from runlog.core.frame import Context, Frame
from runlog.store import models as m
from runlog.store.mapping import PARTS, STORED, Convert, Stored

BESIDE = {"night": m.run.c.night, "rig": m.rig.c.name}  # of the context, in tables of their own


class _Part:
    """Makes one part of a frame of the values at its place in a row."""

    def __init__(self, kind: Any, stored: Iterable[Stored], start: int) -> None:
        self.kind, self.start = kind, start
        held = [(s.name, s.codec) for s in stored]
        if kind is Context:
            held += [(name, None) for name in BESIDE]
        self.names = [name for name, _ in held]
        self.end = start + len(self.names)
        self.converts: Mapping[str, Convert] = {
            name: codec.read for name, codec in held if codec is not None
        }

    def make(self, row: tuple[Any, ...]) -> Any:
        values = dict(zip(self.names, row[self.start : self.end], strict=True))
        for name, convert in self.converts.items():
            values[name] = convert(values[name])
        return self.kind(**values)


class Loading:
    """A choice of columns: what to select, and how its rows become frames.

    Values of columns that are left out are as in a part that nothing was said of.
    """

    def __init__(self, *, without: Iterable[str] = ()) -> None:
        left_out = frozenset(without)
        columns: list[Any] = []
        self._parts: list[_Part] = []
        for kind in PARTS.values():
            stored = [s for s in STORED[kind] if s.column not in left_out]
            self._parts.append(_Part(kind, stored, len(columns)))
            columns += [m.frame.c[s.column] for s in stored]
            columns += BESIDE.values() if kind is Context else ()
        self.query: Select[Any] = (
            select(*columns)
            .join(m.run, m.run.c.id == m.frame.c.run_id)
            .join(m.rig, m.rig.c.id == m.run.c.rig_id)
        )

    def frame_of(self, row: Row[Any]) -> Frame:
        """Turn a row of the query into a frame."""
        values = tuple(row)
        return Frame(*[part.make(values) for part in self._parts])

    def load(
        self, connection: Connection, query: Select[Any], values: Mapping[str, Any] | None = None
    ) -> list[Frame]:
        """Run the query, narrowed and sorted, and give its frames."""
        return [self.frame_of(row) for row in connection.execute(query, values).all()]


WHOLE = Loading()
# JSON takes most of the time of reading a row; of it a list shows the faults.
IN_LISTS = Loading(
    without=[s.column for part in STORED.values() for s in part if s.is_json and s.name != "faults"]
)
