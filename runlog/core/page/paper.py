"""What of a night fits on one sheet of A4: the least costly rows stay in the file when it is full.

Heights are estimates, in px of a style sheet (96 to an inch), for the sizes that `page.css` prints
at; they are on the safe side for fonts as wide as DejaVu Sans, and tried in a browser on drawn
nights.
"""

from collections.abc import Mapping, Sequence
from typing import Any

Block = Mapping[str, Any]
Columns = Sequence[Sequence[dict[str, Any]]]

ROOM_PX = 1000.0  # of the 1039 between the margins of A4
HEAD_PX, FOOT_PX = 128.0, 24.0  # title, sentence, figures; what made the page
CHART_PX, PANEL_PX, LANE_PX = 120.0, 54.0, 12.5
PICTURES_PX = 150.0
BLOCK_PX = 38.0  # heading, names of columns, the gap below
LINE_PX, ROW_PX = 10.4, 4.0
LIST_PX, ITEM_PX = 28.0, 2.6  # a heading without names of columns; lines without rules
CHARS = 60  # of a line of words beside a narrow column, in half a page
PLAIN_CHARS = 78
FEWEST_ROWS, LEAST_ROWS = 3, 1  # where that is enough, and where it is not
MOST_ROWS = 48  # of a table on a season's four sheets


def fit(blocks: Sequence[dict[str, Any]], groups: Sequence[Columns]) -> None:
    """Mark rows as not printed, until the rest fits; every row stays in the file."""
    fixed = HEAD_PX + FOOT_PX + sum(map(_fixed_px, blocks))
    for fewest in (FEWEST_ROWS, LEAST_ROWS):
        while fixed + sum(map(_group_px, groups)) > ROOM_PX:
            tallest = [max(group, key=_column_px) for group in groups if len(group) > 1]
            found = [block for column in tallest for block in column if _can_give(block, fewest)]
            if not found:
                break
            _leave_out(max(found, key=lambda block: len(_printed(block))))


def cap(blocks: Sequence[dict[str, Any]]) -> None:
    """Print no list of a season or a target beyond what leaves room for the others."""
    for block in blocks:
        while len(_printed(block)) > MOST_ROWS:
            _leave_out(block)


def _fixed_px(block: Block) -> float:
    if block["kind"] == "time-line":
        lanes: int = block["drawings"]["wide"].lanes
        panels = len(block["panels"])
        return CHART_PX + PANEL_PX * panels + LANE_PX * lanes
    return PICTURES_PX if block["kind"] == "pictures" else 0.0


def _group_px(columns: Columns) -> float:
    return max(map(_column_px, columns), default=0.0)


def _column_px(column: Sequence[Block]) -> float:
    return sum(_head_px(block) + sum(map(_row_px, _printed(block))) for block in column)


def _head_px(block: Block) -> float:
    if not _rows(block):
        return 0.0
    return LIST_PX if block["kind"] == "lines" else BLOCK_PX


def _rows(block: Block) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = block.get("cells") or block.get("items") or []
    return found


def _printed(block: Block) -> list[dict[str, Any]]:
    return [row for row in _rows(block) if not row["rest"]]


def _row_px(row: Mapping[str, Any]) -> float:
    if "words" in row:
        return LINE_PX * max(-(-len(row["words"]) // PLAIN_CHARS), 1) + ITEM_PX
    lines = max(-(-len(cell["words"]) // CHARS) for cell in row["cells"])
    return LINE_PX * max(lines, 1) + ROW_PX


def _can_give(block: Block, fewest: int) -> bool:
    return block["block"] != "parts" and len(_printed(block)) > fewest


def _leave_out(block: dict[str, Any]) -> None:
    """Leave out the row that cost least, of several the last."""
    cheapest = min(reversed(_printed(block)), key=lambda row: float(row["weight"]))
    cheapest["rest"] = True
    block["left_out"] += 1
