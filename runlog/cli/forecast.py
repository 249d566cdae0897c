"""runlog forecast: how many more nights the goals need."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import (
    Session,
    echo_csv,
    echo_json,
    listing,
    own_login,
    show,
    talk,
    with_session,
)
from runlog.cli.plain_table import say, table
from runlog.core.columns import hours, plural, share

if TYPE_CHECKING:
    from runlog.actions.open import Database
    from runlog.config import Settings
    from runlog.core.selection import Selection

Rows = list[dict[str, Any]]

SHOWN = "priority target filter goal_s kept_s to_go_s usual_night_s record_nights text".split()
DROP = "priority record_nights usual_night_s kept_s goal_s"


@click.command("forecast")
# One night is no record to learn from, and a grade or fault takes nights apart: of clouded frames
# alone nothing is ever kept.
@choosing(without="night grade fault")
@click.option("--date", metavar="DATE", help="From another evening on: 2026-12-03.")
@click.option("--mine", is_flag=True, help="Of your own goals, not everybody's (on a server).")
@listing
@with_session
def command(
    session: Session,
    date: str | None,
    mine: bool,
    as_json: bool,
    as_csv: bool,
    asked: dict[str, Any],
) -> int:
    """Forecast the nights each goal needs, from what your own nights brought.

    A target or filter chooses goals; dates, a season or a rig the nights that are learned from.
    A night means one on which the filter was used, as long as yours usually are. The range is 8 in
    10: one time in ten it takes fewer, one time in ten more. The dates come from a thousand drawn
    years: clear nights as yours were by month, the share of the dark you keep, when each target is
    up, and goals that share the nights of one rig. The weather to come is not known.
    """
    from runlog.actions.forecast import CHANCE_KEYS, FORECAST_KEYS, forecast

    engine = session.engine()
    chosen = session.selection(engine, asked)
    owner = own_login(engine) if mine else None
    found = forecast(engine, session.settings, chosen, owner)
    found["rows"] = _with_chances(engine, session.settings, found["rows"], date, chosen, owner)
    if as_json:
        echo_json("runlog.forecast/1", found)
    elif as_csv:
        echo_csv(found["rows"], [*FORECAST_KEYS, *CHANCE_KEYS])
    elif not found["rows"]:
        talk("There is no goal yet. Set one: runlog goal TARGET FILTER HOURS")
    else:
        show(table(found["rows"], SHOWN, DROP))
        _chances(found["rows"])
        _tell(found["pace"])
    return 0


def _with_chances(
    engine: "Database",
    settings: "Settings",
    rows: Rows,
    date: str | None,
    chosen: "Selection",
    owner: str | None,
) -> Rows:
    """Put finish dates beside the rows of goals that are open; without any, no year is drawn."""
    from runlog.actions.forecast import NO_CHANCES, is_open

    if not any(map(is_open, rows)):
        return [row | NO_CHANCES for row in rows]
    from runlog.actions.chances import with_chances
    from runlog.actions.tonight import Asked

    when = Asked(datetime.now(UTC), date, None, chosen, owner=owner)
    return with_chances(engine, settings, when, rows)


def _chances(rows: Rows) -> None:
    said = [f"{r['target']} {r['filter']}: {r['chances']}" for r in rows if r["chances"]]
    if said:
        say("", *said)


def _tell(pace: dict[str, Any]) -> None:
    if not pace["nights"]:
        talk("No night is stored yet: nothing to forecast from.")
        return
    talk(
        f"Your record: {pace['nights']} night{'s' * (pace['nights'] != 1)} with frames in "
        f"{plural(pace['days'], 'day')}, {hours(pace['kept_a_night_s'])} kept a night, "
        f"{share(pace['share_kept'] or 0)} of what was logged"
    )
    if not pace["enough"]:
        talk("That is too little history to say how many weeks it takes.")
