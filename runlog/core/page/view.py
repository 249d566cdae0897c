"""From a published report to what its template places: words for values, drawings for charts."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from runlog.core.page import calendar, curves, time_line
from runlog.core.page.blocks import cell, column, table
from runlog.core.page.drawn import SHAPES
from runlog.core.page.paper import cap, fit

Block = Mapping[str, Any]

# Which blocks stand in columns beside each other where there is room.
COLUMNS = (
    (("happened", "losses"), ("parts", "to-check")),
    (("added",), ("to-go", "known")),
)
VERDICT_SIGN = {"good": "keep", "fair": "doubtful", "poor": "reject", "unknown": "ungraded"}
SIGNS = {grade: shape([(0.0, 0.0)], 3.3) for grade, shape in SHAPES.items()} | {
    "limit": "M-5 0H5",
    "length": "M-4 -4h8v8h-8z",
    "moon-band": "M-5 1h10v3h-10z",
}
SIGNS |= dict.fromkeys(("length", "elsewhere", "to-go"), "M-4 -3h8v6h-8z")
BAR_WORDS = {
    "length": "kept",
    "doubtful": "doubtful",
    "elsewhere": "counted besides: other nights, other filters that pass this band",
    "to-go": "to go",
}
GRADES = {
    "keep": "kept", "doubtful": "doubtful", "reject": "rejected", "ungraded": "without a grade",
}  # fmt: skip
DIGITS = 12  # of a digest, which is enough to tell one from another
WIDE_FROM = 6  # columns of a table that a phone has no room for
NO_WRAP_CHARS = 16
BAR_WIDTH = 98.0  # of 100
BAR_LOOKS = {
    "keep": "length",
    "doubtful": "doubtful",
    "elsewhere": "elsewhere",
    "to go": "to-go",
    "reject": "length-lost",
}
PHONE, PAPER = 360.0, 760.0  # widths of drawings
NO_WRAP = ("target", "when", "no", "number", "verdict", "part", "night", "grade", "filter")


def view_of(report: Mapping[str, Any]) -> dict[str, Any]:
    """Prepare a whole report."""
    rows = [_sheet(row) for row in report["rows"]]
    blocks = (b for row in rows for group in row["groups"] for column in group for b in column)
    return {
        "title": report["title"],
        "made": made(report["made"]),
        "rows": rows,
        "has_tables": any(block.get("data") for block in blocks),
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
    else:
        cap(blocks)
    figures = [{**figure, "value": cell("lost_s", figure["seconds"])} for figure in row["figures"]]
    return {**row, "figures": figures, "groups": groups}


def _grouped(blocks: Sequence[dict[str, Any]]) -> Iterator[list[list[dict[str, Any]]]]:
    """Put those that belong together into columns side by side."""
    left = {block["block"]: block for block in blocks}
    while left:
        first = next(iter(left))
        if first.startswith("trend-"):  # small charts, in two columns
            small = [left.pop(name) for name in list(left) if name.startswith("trend-")]
            yield [half for half in (small[::2], small[1::2]) if half]
            continue
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
    if block["kind"] == "calendar":
        return _calendar(block)
    return _curves(block) if block["kind"] == "curves" else {}


# --- tables ---------------------------------------------------------------------------------


def _table(block: Block) -> dict[str, Any]:
    keys, bar = block["columns"], block["bar"]
    parts = [_parts(row.get(bar), bar) if bar else [] for row in block["rows"]]
    longest = max((sum(seconds for _, seconds in part) for part in parts), default=0.0)
    return {
        "heads": [{"label": column(key).label, "right": column(key).right} for key in keys],
        "bars": bool(longest),
        "legend": _bar_legend(parts) if bar == "bar" else [],
        "wide": len(keys) >= WIDE_FROM,
        "cells": [
            {
                "cells": [_cell(key, row[key]) for key in keys],
                "rest": False,
                "weight": row.get("cost_s") or sum(seconds for _, seconds in part),
                "bar": list(_laid(part, longest)) if longest else [],
            }
            for row, part in zip(block["rows"], parts, strict=True)
        ],
    }


def _parts(value: Any, key: str) -> list[tuple[str, float]]:
    """Read what a bar is made of: parts one after another, or one length."""
    if isinstance(value, list):
        return [(BAR_LOOKS[part["what"]], part["seconds"]) for part in value]
    return [("length-lost" if key == "lost_s" else "length", value or 0.0)]


def _bar_legend(parts: Sequence[Sequence[tuple[str, float]]]) -> list[dict[str, str]]:
    used = {look for part in parts for look, _ in part}
    return [{"sign": look, "words": words} for look, words in BAR_WORDS.items() if look in used]


def _laid(parts: Sequence[tuple[str, float]], longest: float) -> Iterator[dict[str, str]]:
    at = 1.0
    for look, seconds in parts:
        width = BAR_WIDTH * seconds / longest
        yield {"look": look, "x": f"{at:.1f}", "width": f"{width:.1f}"}
        at += width


def _cell(key: str, value: Any) -> dict[str, Any]:
    words = cell(key, value)
    looks = ["any"]  # a long name from a header may break anywhere
    if column(key).right:
        looks = ["right"]
    elif key in NO_WRAP and len(words) <= NO_WRAP_CHARS:
        looks = ["fixed"]
    sign = None
    if key == "verdict":
        looks, sign = ["verdict", value], VERDICT_SIGN[value]
    if key == "grade" and value in SIGNS:
        sign = value
    return {"words": words, "look": " ".join(looks), "sign": sign}


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


# --- seasons and targets ----------------------------------------------------------------------


def _calendar(block: Block) -> dict[str, Any]:
    keys = "night kept_s logged_s frames doubtful_s rejected_s".split()
    nights = table("data", f"The {len(block['nights'])} nights in numbers", keys, block["nights"])
    return {
        "drawings": {
            "wide": calendar.draw(block, PAPER, 58.0),
            "narrow": calendar.draw(block, PHONE, 0.0),
        },
        "legend": [
            {"sign": "length", "words": "kept, of the fullest night"},
            {"sign": "moon-band", "words": "share of the Moon that is lit at midnight"},
        ],
        "data": dict(nights) | _table(nights),
    }


def _curves(block: Block) -> dict[str, Any]:
    if block["steps"]:
        drawings = {
            "wide": curves.draw(block, PAPER, 190.0),
            "narrow": curves.draw(block, PHONE, 190.0),
        }
    else:
        drawings = {"any": curves.draw(block, PHONE, 96.0)}
    rows = [
        {"curve": curve["name"], "night": point["night"], "number": f"{point['value']:.4g}"}
        for curve in block["curves"]
        for point in curve["points"]
    ]
    named = any(row["curve"] for row in rows)
    keys = ["night", *(["curve"] if named else []), "number"]
    data = table("data", f"{block['heading']}, in numbers", keys, rows)
    return {"drawings": drawings, "legend": [], "data": dict(data) | _table(data)}
