"""runlog ahead: the good nights to come of each goal, and the end of its season."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click

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
from runlog.cli.completing import stored
from runlog.cli.plain_table import table

if TYPE_CHECKING:
    from runlog.actions.ahead import Prospect

SHOWN = "rank night dark_s usable_s moonless_s effective_s".split()
BEST = 7  # nights shown of each goal


@click.command("ahead")
@click.argument("target", required=False, shell_complete=stored("targets"))
@click.option("--nights", type=int, default=60, show_default=True, help="How far to look.")
@click.option("--date", metavar="DATE", help="From another evening on: 2026-12-03.")
@click.option("--rig", shell_complete=stored("rigs"), help="A rig, by its name or part of it.")
@click.option(
    "--filter", "filter_", shell_complete=stored("filters"), help="One filter, in any spelling."
)
@listing
@with_session
def command(
    session: Session,
    as_json: bool,
    as_csv: bool,
    target: str | None,
    nights: int,
    date: str | None,
    rig: str | None,
    filter_: str | None,
) -> int:
    """Show the good nights to come of each goal, or of one TARGET's, and its season's end.

    Hours are what a clear night would give the goal alone, by the Moon, the height, and what you
    usually keep. Forecasts are not known.
    """
    from runlog.actions.ahead import AHEAD_KEYS, ahead, prospect_words
    from runlog.actions.tonight import Asked

    engine = session.engine()
    part = session.selection(engine, {"target": target, "rig": rig, "filter": filter_})
    found = ahead(engine, session.settings, Asked(datetime.now(UTC), date, None, part), nights)
    rows = [row for one in found.prospects for row in one.rows]
    if as_json:
        goals = [_goal_row(one) | {"text": prospect_words(one)} for one in found.prospects]
        echo_json("runlog.ahead/1", {"rows": rows, "goals": goals, "goals_set": found.goals_set})
    elif as_csv:
        echo_csv(rows, AHEAD_KEYS)
    elif not found.prospects:
        talk("No goal that is asked about is open. Set one: runlog goal TARGET FILTER HOURS")
    else:
        if not found.goals_set:
            talk("No goals set: targets with kept hours.")
        for one in found.prospects:
            _show(one)
    return 0


def _goal_row(one: "Prospect") -> dict[str, Any]:
    season = one.season
    return {
        "target": one.wanted.target,
        "filter": one.wanted.filter,
        "rig": one.rig,
        "priority": one.wanted.priority,
        "to_go_s": one.wanted.to_go_s,
        "season_begins": one.season_begins,
        "season_end": one.season_end,
        "season_nights": season.nights if season else None,
        "obtainable_s": season.obtainable_s if season else None,
        "clear_share": one.known.clear,
        "moonless_share": one.moonless_share,
        "can_finish": one.can_finish,
    }


def _show(one: "Prospect") -> None:
    from rich.text import Text

    from runlog.actions.ahead import prospect_words

    show(Text("\n" + safe(f"{one.wanted.target} {one.wanted.filter}"), style="bold"))
    show(Text(safe(prospect_words(one))))
    ranked = [row for row in one.rows if row["rank"] is not None and row["rank"] <= BEST]
    if ranked:
        show(table(sorted(ranked, key=lambda row: row["rank"]), SHOWN))
