"""From a published report to what its template places: words for values, drawings for charts."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from runlog.core.page import time_line
from runlog.core.page.blocks import cell, column, table
from runlog.core.page.drawn import SHAPES
from runlog.core.page.paper import fit

Block = Mapping[str, Any]

# Which blocks stand in columns beside each other where there is room.
COLUMNS = (
    (("happened", "losses"), ("parts", "to-check")),
    (("added",), ("to-go", "known")),
)
VERDICT_SIGN = {"good": "keep", "fair": "doubtful", "poor": "reject", "unknown": "ungraded"}
SIGNS = {grade: shape([(0.0, 0.0)], 3.3) for grade, shape in SHAPES.items()} | {"limit": "M-5 0H5"}
GRADES = {
    "keep": "kept", "doubtful": "doubtful", "reject": "rejected", "ungraded": "without a grade",
}  # fmt: skip
DIGITS = 12  # of a digest, which is enough to tell one from another
WIDE_FROM = 6  # columns of a table that a phone has no room for
LONG = ("target", "text", "evidence", "words")
NO_WRAP = ("when", "number", "verdict", "part", "night", "grade", "filter")


def view_of(report: Mapping[str, Any]) -> dict[str, Any]:
    """Prepare a whole report."""
    return {
        "title": report["title"],
        "made": made(report["made"]),
        "rows": [_sheet(row) for row in report["rows"]],
    }


def made(by: Mapping[str, Any]) -> str:
    """Say what made the page, of what, and by which clock."""
    said = [
        f"runlog {by['version']}",
        f"database {by['database']}",
        f"limits {by['policy'][:DIGITS]}",
    ]
    said.append(f"times {by['times']}")
    if by["now_utc"]:
        said.append(f"made {by['now_utc']}")
    return " · ".join(said)


def _sheet(row: Mapping[str, Any]) -> dict[str, Any]:
    blocks = [_block(block) for block in row["blocks"]]
    groups = list(_grouped(blocks))
    if row["about"] == "night":
        fit(blocks, groups)
    figures = [{**figure, "value": cell("lost_s", figure["seconds"])} for figure in row["figures"]]
    return {**row, "figures": figures, "groups": groups}


def _grouped(blocks: Sequence[dict[str, Any]]) -> Iterator[list[list[dict[str, Any]]]]:
    """Put those that belong together into columns side by side."""
    left = {block["block"]: block for block in blocks}
    while left:
        first = next(iter(left))
        side_by_side = next(
            (pair for pair in COLUMNS if any(first in c for c in pair)), ((first,),)
        )
        columns = [[left.pop(n) for n in column if n in left] for column in side_by_side]
        yield [column for column in columns if column]


def _block(block: Block) -> dict[str, Any]:
    return {**block, "left_out": 0, **_prepared(block)}


def _prepared(block: Block) -> dict[str, Any]:
    if block["kind"] == "table":
        return _table(block)
    if block["kind"] == "time-line":
        return _time_line(block)
    if block["kind"] == "lines":
        return {"items": [{"words": w, "rest": False, "weight": 0.0} for w in block["lines"]]}
    return {}


# --- tables ---------------------------------------------------------------------------------


def _table(block: Block) -> dict[str, Any]:
    keys, bar = block["columns"], block["bar"]
    longest = max((row[bar] or 0.0 for row in block["rows"]), default=0.0) if bar else 0.0
    return {
        "heads": [{"label": column(key).label, "right": column(key).right} for key in keys],
        "bars": bool(longest),
        "wide": len(keys) >= WIDE_FROM,
        "cells": [
            {
                "cells": [_cell(key, row[key]) for key in keys],
                "rest": False,
                "weight": row.get("cost_s") or (row[bar] if bar else None) or 0.0,
                "bar": f"{98 * (row[bar] or 0.0) / longest:.1f}" if longest else None,
            }
            for row in block["rows"]
        ],
    }


def _cell(key: str, value: Any) -> dict[str, Any]:
    looks = ["right"] if column(key).right else ["fixed"] if key in NO_WRAP else []
    looks += ["any"] if key in LONG else []
    sign = None
    if key == "verdict":
        looks, sign = ["verdict", value], VERDICT_SIGN[value]
    if key == "grade" and value in SIGNS:
        sign = value
    return {"words": cell(key, value), "look": " ".join(looks), "sign": sign}


# --- the time line --------------------------------------------------------------------------


def _time_line(block: Block) -> dict[str, Any]:
    forms = {"wide": time_line.WIDE, "narrow": time_line.NARROW}
    used = [g for g in GRADES if any(frame["grade"] == g for frame in block["frames"])]
    legend = [{"sign": grade, "words": GRADES[grade]} for grade in used]
    limits = {limit["says"] for panel in block["panels"] for limit in panel["limits"]}
    legend += [{"sign": "limit", "words": says} for says in sorted(limits)]
    return {
        "drawings": {look: time_line.draw(block, form) for look, form in forms.items()},
        "legend": legend,
        "data": _data(block),
    }


def _data(block: Block) -> dict[str, Any]:
    """Give every value of the chart as a table."""
    names = [panel["measure"] for panel in block["panels"]]
    columns = [panel["values"] for panel in block["panels"]]
    rows = [
        {**frame, **dict(zip(names, values, strict=True))}
        for frame, *values in zip(block["frames"], *columns, strict=True)
    ]
    keys = ["when", "target", "filter", "length_s", *names, "grade", "cause"]
    as_table = table("data", f"The {len(rows)} frames in numbers", keys, rows)
    return dict(as_table) | _table(as_table)
