"""What fits on one sheet: rows are left out only when it is full, the least costly first."""

from dataclasses import dataclass

import pytest

from runlog.core.page.paper import FEWEST_ROWS, LEAST_ROWS, MOST_ROWS, cap, fit


@dataclass
class Wide:
    lanes: int


def block(name, rows, *, words="short", costs=None):
    """Make a prepared table of some rows."""
    cells = [
        {"cells": [{"words": words}], "rest": False, "weight": (costs or [0.0] * rows)[n]}
        for n in range(rows)
    ]
    return {"block": name, "kind": "table", "cells": cells, "left_out": 0}


def test_a_quiet_night_is_printed_whole():
    """Guards rows that are hidden though there is room."""
    blocks = [block("happened", 4), block("parts", 7)]
    fit(blocks, [[[blocks[0]], [blocks[1]]]])
    assert [b["left_out"] for b in blocks] == [0, 0]


def test_the_least_costly_events_stay_in_the_file():
    """Guards a cloud of an hour that is left out for a flip."""
    costs = [float(n % 10) for n in range(80)]
    happened, parts = block("happened", 80, words="x" * 100, costs=costs), block("parts", 7)
    fit([happened, parts], [[[happened], [parts]]])
    printed = [row["weight"] for row in happened["cells"] if not row["rest"]]
    hidden = [row["weight"] for row in happened["cells"] if row["rest"]]
    assert happened["left_out"] == len(hidden) > 0
    assert min(printed) >= max(hidden)
    assert FEWEST_ROWS < len(printed) < 80


def test_a_full_sheet_gives_more_where_three_rows_are_too_many():
    """Guards a second sheet for the footer alone: columns that keep three rows give two of them."""
    parts, check = block("parts", 7), block("to-check", 3, words="x" * 100)
    line = {"block": "time-line", "kind": "time-line", "panels": [1] * 4,
            "drawings": {"wide": Wide(6)}}  # fmt: skip
    pictures = {"block": "pictures", "kind": "pictures"}
    fit([line, parts, check, pictures], [[[line]], [[block("happened", 3)], [parts, check]]])
    assert check["left_out"] == 0
    added = block("added", 3, words="x" * 300)
    fit([line, parts, check, pictures, added],
        [[[line]], [[], [parts, check]], [[added], [block("to-go", 1)]]])  # fmt: skip
    assert check["left_out"] + added["left_out"] > 0
    assert min(len([r for r in b["cells"] if not r["rest"]]) for b in (check, added)) >= LEAST_ROWS


@pytest.mark.parametrize("rows", [0, 1, 400])
def test_verdicts_are_never_left_out(rows):
    """Guards an endless loop, and a part without its verdict, where nothing else can give."""
    happened, parts = block("happened", rows), block("parts", 7, words="x" * 9000)
    fit([happened, parts], [[[happened], [parts]]])
    assert parts["left_out"] == 0


def test_a_list_of_hundreds_is_cut_on_paper_alone():
    """Guards four sheets of a season with a hundred goals: the largest are printed."""
    totals = block("totals", 300, costs=[float(n) for n in range(300)])
    cap([totals])
    printed = [row["weight"] for row in totals["cells"] if not row["rest"]]
    assert printed == [float(n) for n in range(300 - MOST_ROWS, 300)]
    assert totals["left_out"] == 300 - MOST_ROWS
