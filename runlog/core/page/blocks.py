"""The parts a page is made of, as plain values: what `runlog.report/1` publishes.

A page is drawn from these alone, so they hold all that is said; templates only place it.
"""

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from runlog.core.columns import COLUMNS, NOTHING, Column, gain, hours, share

Block = Mapping[str, Any]
Row = Mapping[str, Any]


def _fixed(digits: int) -> Any:
    return lambda value: f"{value:.{digits}f}"


# What only pages show, or show otherwise than lists do.
OWN: Mapping[str, Column] = {
    "number": Column("no.", str, True),
    "when": Column("when"),
    "cause": Column("lost to"),
    "lost_s": Column("time", hours, True),
    "of_logged": Column("of what was taken", share, True),
    "part": Column("part"),
    "target": Column("target"),
    "filter": Column("filter"),
    "night": Column("night"),
    "rig": Column("rig"),
    "grade": Column("grade"),
    "words": Column("to do"),
    "text": Column("what"),
    "evidence": Column("why"),
    "length_s": Column("length", lambda v: f"{v:g} s", True),
    "fwhm_px": Column("FWHM px", _fixed(2), True),
    "eccentricity": Column("ecc.", _fixed(2), True),
    "light": Column("light", _fixed(2), True),
    "sky": Column("sky", _fixed(2), True),
    "gain_next_hour": Column("with one hour more", gain, True),
}


def column(key: str) -> Column:
    """Give how a page names and writes a value."""
    return OWN.get(key) or COLUMNS[key]


def cell(key: str, value: Any) -> str:
    """Write one value for a page; a missing one is a dash."""
    if value is None or value == "":
        return NOTHING
    return value if isinstance(value, str) else column(key).show(value)


def lines(name: str, heading: str, said: Iterable[str]) -> Block:
    """List sentences under a heading."""
    return {"block": name, "heading": heading, "kind": "lines", "lines": list(said)}


def table(
    name: str, heading: str, keys: Sequence[str], rows: Sequence[Row], bar: str | None = None
) -> Block:
    """Lay out rows; `bar` names the one value that is drawn as a length as well."""
    return {
        "block": name,
        "heading": heading,
        "kind": "table",
        "columns": list(keys),
        "rows": [dict(row) for row in rows],
        "bar": bar,
    }
