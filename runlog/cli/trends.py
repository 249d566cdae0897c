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
        for rig in dict.fromkeys(t.series.rig for t in found):
            _show(rig, [t for t in found if t.series.rig == rig])
    return 0


def _show(rig: str, found: list["Trend"]) -> None:
    from rich.text import Text

    nights = sorted({p.night for t in found for p in t.series.points})
    span = f"  {nights[0]} to {nights[-1]}" if nights else ""
    show(Text.assemble((safe(rig), "bold"), span))
    judged = [t for t in found if t.slope is not None]
    if judged:
        rows = [_plain(t, judged) for t in judged]
        keys = [k for k in SHOWN if any(row[k] is not None for row in rows)]
        show(table(rows, keys, DROP))
    _list("What moved", [_said(t) for t in judged if t.verdict.value != "steady"])
    _list("Unknown", _unknown([t for t in found if t.slope is None]))


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


def _said(trend: "Trend") -> str:
    return f"{_name(trend)}: {trend.verdict.value}: {trend.reason}"


def _name(trend: "Trend") -> str:
    parts = (trend.series.kind.label, trend.series.filter, trend.series.setting)
    return ", ".join(part for part in parts if part)


def _unknown(found: list["Trend"]) -> list[str]:
    """Say of each kind once why nothing can be said: of the series that has most nights.

    Those that only need more nights are told in one line; what leaves nights out has a cure.
    """
    from runlog.core.trends.series import FEWEST_FOR_TREND
    from runlog.core.trends.words import few_nights

    most: dict[str, Trend] = {}
    for trend in found:
        kind = trend.series.kind.name
        if kind not in most or len(trend.series.points) > len(most[kind].series.points):
            most[kind] = trend
    waiting = [t for t in most.values() if t.series.nights < FEWEST_FOR_TREND]
    lines = [f"{_name(t)}: {t.reason}" for t in most.values() if t not in waiting]
    nights = max((len(t.series.points) for t in waiting), default=0)
    return (
        [*lines, few_nights([t.series.kind.label for t in waiting], nights)] if waiting else lines
    )


def _list(head: str, lines: list[str]) -> None:
    from rich.text import Text

    if lines:
        show(Text(head, style="bold"), *(Text(f"  {safe(line)}") for line in lines))
