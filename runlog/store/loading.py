"""Rows of the table of frames as frames: whole, or without what a list never shows."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import fields
from itertools import takewhile
from typing import Any

from sqlalchemy import Connection, Select, select

from runlog.core.frame import Context, Frame
from runlog.store import models as m
from runlog.store.mapping import PARTS, STORED, Convert, Stored

BESIDE = {"night": m.run.c.night, "rig": m.rig.c.name}  # of the context, in tables of their own


class Loading:
    """A choice of columns: what to select, and how its rows become frames.

    `keep` tells which; values of the others are as in a part that nothing was said of.
    """

    def __init__(self, keep: Callable[[Stored], bool]) -> None:
        columns: list[Any] = []
        held: dict[type, list[tuple[str, Convert | None]]] = {}
        for kind in PARTS.values():
            stored = [s for s in STORED[kind] if keep(s)]
            beside = BESIDE if kind is Context else {}
            columns += [m.frame.c[s.column] for s in stored]
            columns += beside.values()
            held[kind] = [(s.name, s.codec.read if s.codec else None) for s in stored]
            held[kind] += [(name, None) for name in beside]
        self._frame_of, self._width = _compiled(held), len(columns)
        self.query: Select[Any] = (
            select(*columns)
            .join(m.run, m.run.c.id == m.frame.c.run_id)
            .join(m.rig, m.rig.c.id == m.run.c.rig_id)
        )

    def load(
        self, connection: Connection, query: Select[Any], values: Mapping[str, Any] | None = None
    ) -> list[Frame]:
        """Run the query, narrowed and sorted, and give its frames."""
        return [self._frame_of(*row) for row in connection.execute(query, values)]

    def load_with(
        self, connection: Connection, query: Select[Any], values: Mapping[str, Any] | None = None
    ) -> Iterator[tuple[Frame, *tuple[Any, ...]]]:
        """Run the query, to which columns were added, and give each frame with theirs."""
        for row in connection.execute(query, values):
            yield self._frame_of(*row[: self._width]), *row[self._width :]


def _compiled(
    held: Mapping[type, Sequence[tuple[str, Convert | None]]],
) -> Callable[..., Frame]:
    """Write the function that makes a frame of the values of a row, as if by hand.

    A loop over a hundred fields would take several times as long, for each of many frames.
    """
    known: dict[str, Any] = {"Frame": Frame}
    values: list[str] = []
    calls: list[str] = []
    for kind, named in held.items():
        known[kind.__name__] = kind
        given = []
        for name, convert in named:
            value = f"v{len(values)}"
            values.append(value)
            if convert is not None:
                known[f"read_{value}"] = convert
                value = f"read_{value}({value})"
            given.append((name, value))
        if not given:  # the same for all frames
            known[kind.__name__] = kind()
        calls.append(f"{kind.__name__}({_arguments(kind, given)})" if given else kind.__name__)
    code = f"lambda {', '.join(values)}: Frame({', '.join(calls)})"
    # Only names of our own fields are in it, and numbers.
    made: Callable[..., Frame] = eval(code, known)  # nosec B307
    return made


def _arguments(kind: Any, given: Sequence[tuple[str, str]]) -> str:
    """Give values by their place as far as none is left out, which is quicker than by name."""
    order = [field.name for field in fields(kind)]
    inplace = list(takewhile(lambda pair: pair[0] == pair[1][0], zip(order, given, strict=False)))
    by_name = [f"{name}={value}" for name, value in given[len(inplace) :]]
    return ", ".join([value for _, (_, value) in inplace] + by_name)


# What the rows showed is looked at of all frames of a camera together: see `run_rows`.
WHOLE = Loading(lambda stored: stored.name != "signs")
# JSON takes most of the time of reading a row; of it a list shows the faults.
IN_LISTS = Loading(lambda stored: not stored.is_json or stored.name == "faults")
