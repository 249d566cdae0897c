"""runlog totals: hours per target and filter, and what is still to go."""

from typing import TYPE_CHECKING, Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import (
    Session,
    echo_csv,
    echo_json,
    listing,
    own_login,
    safe,
    safe_lines,
    show,
    talk,
    with_session,
)
from runlog.cli.hour_columns import say_silent, spoken, with_ungraded
from runlog.cli.plain_table import table
from runlog.core.story.phrases.report import kept

if TYPE_CHECKING:
    from runlog.core.selection import Selection

SHOWN = (
    "target filter frames logged_s kept_s doubtful_s rejected_s goal_s to_go_s frames_to_go nights"
).split()
OWN_SHOWN = "target filter kept_s goal_s to_go_s".split()
GROWTH_SHOWN = "night target filter frames logged_s kept_s kept_so_far_s".split()
# What gives way first where there is no room: what is left is what a morning asks.
DROP = (
    "frames nights frames_to_go frames_to_go_over_all frames_to_go_over_all_rigs gain_next_hour "
    "gain_next_hour_over_all gain_next_hour_over_all_rigs "
    "share_kept logged_s rejected_s doubtful_s ungraded_s effective_s credited_s"
)
GROWTH_DROP = "frames logged_s"
MOSAIC_DROP = "panels progress kept_s worst_panel"
MOSAIC_SHOWN = "target filter panels worst_panel kept_s goal_s to_go_s progress".split()


@click.command("totals")
@choosing()
@click.option("--by", "by", type=click.Choice(["night"]), help="What each night added.")
@click.option(
    "--publish",
    type=click.Choice(["text", "markdown"]),
    is_flag=False,
    flag_value="text",
    help="A table to publish: filters, frames x exposure, total.",
)
@click.option("--mine", is_flag=True, help="Against your own goals, not everybody's (on a server).")
@click.option("--more", is_flag=True, help="Also effective time, share kept, the next hour's gain.")
@listing
@with_session
def command(
    session: Session,
    as_json: bool,
    as_csv: bool,
    by: str | None,
    publish: str | None,
    mine: bool,
    more: bool,
    asked: dict[str, Any],
) -> int:
    """Show logged, kept, doubtful and rejected hours per target and filter, against the goals.

    With dates, a rig, a grade or a fault, hours are those of the frames that fit. Goals and what
    is to go are about all frames, whatever part is listed. Hours are those of all rigs together;
    below them stands what each has. Of one rig: --rig NAME
    """
    engine = session.engine()
    part = session.selection(engine, asked)
    if publish:
        return _publish(engine, session, part, publish, as_json)
    if by == "night":
        return _by_night(engine, part, as_json, as_csv)
    owner = own_login(engine) if mine else None
    return _totals(engine, session, part, (as_json, as_csv), more, owner)


def _totals(
    engine: Any,
    session: Session,
    part: "Selection",
    written: tuple[bool, bool],
    more: bool,
    owner: str | None,
) -> int:
    from runlog.actions.by_rig import rig_rows
    from runlog.actions.totals import TOTAL_KEYS, mosaic_rows, row_of, totals_against_goals
    from runlog.cli.by_rig import show_rigs

    told = more or any(written)  # the plain table is of hours by the clock
    totals = totals_against_goals(engine, session.settings, part, owner, with_worth=told)
    rigs = rig_rows(engine, part)
    rows = [row_of(t) for t in totals]
    mosaics = mosaic_rows(engine, session.settings, totals, owner)
    if written[0]:
        echo_json("runlog.totals/1", {"rows": rows, "mosaics": mosaics, "rigs": rigs})
    elif written[1]:
        echo_csv(rows, TOTAL_KEYS)
    elif not rows:
        _nothing(part)
    else:
        show(table(*_columns(rows, more, part), DROP))
        say_silent(rows)
        if more:
            _show_notes(rows)
        _show_mosaics(mosaics, part)
        if owner is None and part.asks_nothing:
            _show_own(engine, session)
        show_rigs(rigs)
        if part.asks_nothing and any(row["to_go_s"] for row in rows):
            _point_to_tonight(engine, session, owner)
    return 0


def _show_own(engine: Any, session: Session) -> None:
    """Show one's own goals beside everybody's."""
    from rich.text import Text

    from runlog.actions.open import login_of
    from runlog.actions.totals import own_goal_rows

    if rows := own_goal_rows(engine, session.settings, login_of(engine)):
        show(Text("\nGoals of your own, beside everybody's", style="bold"))
        show(table(rows, OWN_SHOWN))


def _point_to_tonight(engine: Any, session: Session, owner: str | None) -> None:
    from datetime import UTC, datetime

    from runlog.actions.pointers import pointers

    if said := pointers(engine, session.settings, datetime.now(UTC), owner=owner):
        talk("", *said)


def _nothing(part: "Selection") -> None:
    if part.asks_nothing:
        talk("Nothing is stored yet. Scan your frames: runlog scan FOLDER")
    else:
        talk("No light frame fits this. runlog nights lists the nights there are")


def _columns(
    rows: list[dict[str, Any]], more: bool, part: "Selection"
) -> tuple[list[dict[str, Any]], list[str]]:
    """Choose columns: those that are empty on every row are left out.

    Goals are about all nights and rigs; where only a part of them is listed, the heads say so.
    """
    credited = ["credited_s"] if any(row["credited_s"] for row in rows) else []
    extra = ["effective_s", "share_kept", "gain_next_hour"] if more else []
    shown = with_ungraded(SHOWN[:7], rows)
    goals = [key for key in SHOWN[7:] if any(row[key] is not None for row in rows)]
    keys = [*shown, *credited, *extra, *goals]
    rows = spoken(rows)
    if part.is_all_time:
        return rows, keys
    over_all = "over_all" if part.rigs is None else "over_all_rigs"
    told = {
        "to_go_s": f"to_go_{over_all}_s",
        "frames_to_go": f"frames_to_go_{over_all}",
        "gain_next_hour": f"gain_next_hour_{over_all}",
    }
    rows = [row | {new: row[old] for old, new in told.items()} for row in rows]
    return rows, [told.get(key, key) for key in keys]


def _show_notes(rows: list[dict[str, Any]]) -> None:
    """Say what effective hours rest on and leave out, once for all rows that it holds for."""
    from rich.text import Text

    noted: dict[str, list[str]] = {}
    for row in rows:
        if row["effective_note"]:
            noted.setdefault(row["effective_note"], []).append(f"{row['target']} {row['filter']}")
    for note, names in noted.items():
        show(Text(f"effective, {safe(', '.join(names))}: {note}", style="dim"))


def _show_mosaics(mosaics: list[dict[str, Any]], part: "Selection") -> None:
    from rich.text import Text

    if mosaics:
        when = "" if part.is_all_time else ", over all nights and rigs"
        show(Text(f"\nMosaics{when}: as far along as their worst panel", style="bold"))
        show(table(mosaics, MOSAIC_SHOWN, MOSAIC_DROP))


def _by_night(engine: Any, part: "Selection", as_json: bool, as_csv: bool) -> int:
    from runlog.actions.totals import GROWTH_KEYS, growth_rows

    rows = growth_rows(engine, part)
    if as_json:
        echo_json("runlog.growth/1", {"rows": rows})
    elif as_csv:
        echo_csv(rows, GROWTH_KEYS)
    elif rows:
        show(table(spoken(rows), GROWTH_SHOWN, GROWTH_DROP))
        talk("".join(kept(*(sum(row[key] for row in rows) for key in ("kept_s", "logged_s")))))
    else:
        _nothing(part)
    return 0


def _publish(engine: Any, session: Session, part: "Selection", form: str, as_json: bool) -> int:
    from dataclasses import asdict

    from runlog.actions.totals import published
    from runlog.core.ledger.publish import as_markdown, as_text

    tables = published(engine, session.settings, part)
    if as_json:
        rows = [asdict(batch) for batches in tables.values() for batch in batches]
        echo_json("runlog.published/1", {"rows": rows})
        return 0
    if not tables:
        talk("Nothing is kept for this yet.")
    write = as_markdown if form == "markdown" else as_text
    for number, (target, batches) in enumerate(sorted(tables.items())):
        click.echo(("\n" if number else "") + safe_lines(write(target, batches)))
    return 0
