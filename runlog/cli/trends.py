"""runlog trends: what wears, what moved, and after which change."""

from typing import TYPE_CHECKING, Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import (
    Session,
    echo_csv,
    echo_json,
    listing,
    safe,
    show,
    talk,
    with_session,
)
from runlog.cli.plain_table import table

if TYPE_CHECKING:
    from runlog.core.trends.series import Trend

SHOWN = "series filter setting course runs usual a_year verdict".split()
DROP = "course setting a_year runs"
NOT_HERE = "night target grade fault"  # a trend is of all a rig did


@click.command("trends")
@click.option("--what", metavar="NAMES", help="Only these series, as in: fwhm,tilt,sky.")
@choosing(without=NOT_HERE)
@listing
@with_session
def command(
    session: Session, what: str | None, as_json: bool, as_csv: bool, asked: dict[str, Any]
) -> int:
    """Show the rig over months: one number a night, whether it moves, and when it changed.

    A trend needs 12 nights, a change 20. What is told holds at 1 % after correction for the number
    of series of the rig. A change is named by the note (runlog note) that is within three nights
    of it. The sky is relative, each series against its own middle.
    """
    from runlog.actions.trends import TREND_KEYS, names_of, row_of, trends

    names = names_of(what)
    engine = session.engine()
    chosen = session.selection(engine, asked)
    found = trends(engine, chosen, names)
    if as_json:
        echo_json("runlog.trends/1", {"rows": [row_of(t) for t in found]})
    elif as_csv:
        echo_csv([row_of(t) for t in found], TREND_KEYS)
    elif not found:
        talk("No dated night is stored yet." if chosen.asks_nothing else "No night fits.")
    else:
        rigs = dict.fromkeys(t.series.rig for t in found)
        for rig in rigs:
            _show(rig, [t for t in found if t.series.rig == rig])
        if len(rigs) > 1:
            _show_all(len(rigs), found)
    return 0


def _show_all(rigs: int, found: list["Trend"]) -> None:
    """Count over all rigs; numbers of different telescopes are not one series."""
    from rich.text import Text

    judged = [t for t in found if t.slope is not None]
    moved = sum(t.verdict.value != "steady" for t in judged)
    told = f"{len(judged)} of {len(found)} series tell a course, {moved} of them moved"
    if not judged:
        told = f"none of {len(found)} series tells a course yet"
    show(Text(f"All {rigs} rigs: {told}", style="bold"))


def _show(rig: str, found: list["Trend"]) -> None:
    from rich.text import Text

    from runlog.core.trends.series import name_of, unknown_lines

    nights = sorted({p.night for t in found for p in t.series.points})
    span = f"  {nights[0]} to {nights[-1]}" if nights else ""
    show(Text.assemble((safe(rig), "bold"), span))
    judged = [t for t in found if t.slope is not None]
    if judged:
        rows = [_plain(t, judged) for t in judged]
        keys = [k for k in SHOWN if any(row[k] is not None for row in rows)]
        show(table(rows, keys, DROP))
    moved = [t for t in judged if t.verdict.value != "steady"]
    _list("What moved", [f"{name_of(t)}: {t.verdict.value}: {t.reason}" for t in moved])
    _list("Unknown", unknown_lines(t for t in found if t.slope is None))


def _plain(trend: "Trend", beside: list["Trend"]) -> dict[str, Any]:
    from runlog.core.trends.series import usual
    from runlog.core.trends.sparkline import sparkline
    from runlog.core.trends.words import amount

    series, slope, middle = trend.series, trend.slope, usual(trend.series)
    same = [t for t in beside if (t.series.kind, t.series.filter) == (series.kind, series.filter)]
    return {
        "series": series.kind.label,
        "filter": series.filter or None,
        "setting": series.setting if len(same) > 1 else None,
        "course": sparkline([(p.night, p.value) for p in series.points]),
        "runs": len(series.points),
        "usual": None if middle is None else amount(series, middle, signed=False),
        "a_year": None if slope is None else amount(series, slope.middle),
        "verdict": trend.verdict.value,
    }


def _list(head: str, lines: list[str]) -> None:
    from rich.text import Text

    if lines:
        show(Text(head, style="bold"), *(Text(f"  {safe(line)}") for line in lines))
