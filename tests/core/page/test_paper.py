"""What fits on one sheet: rows are left out only when it is full, the least costly first."""

import pytest

from runlog.core.page.paper import FEWEST_ROWS, fit


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


@pytest.mark.parametrize("rows", [0, 1, 400])
def test_verdicts_are_never_left_out(rows):
    """Guards an endless loop, and a part without its verdict, where nothing else can give."""
    happened, parts = block("happened", rows), block("parts", 7, words="x" * 9000)
    fit([happened, parts], [[[happened], [parts]]])
    assert parts["left_out"] == 0
