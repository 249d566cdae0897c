"""runlog nights: all runs, a line each."""

from typing import Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import Session, echo_csv, echo_json, listing, show, talk, with_session
from runlog.cli.plain_table import table

SHOWN = "night rig frames logged_s kept_s doubtful_s rejected_s share_kept".split()
DROP = "share_kept frames noted logged_s doubtful_s rejected_s ungraded_s rig"


@click.command("nights")
@choosing()
@listing
@with_session
def command(session: Session, as_json: bool, as_csv: bool, asked: dict[str, Any]) -> int:
    """List nights, newest first: light frames and hours by grade, of the frames that fit.

    Of several rigs a line a rig and night, and what each has and all have together.
    """
    from runlog.actions.by_rig import rig_rows
    from runlog.actions.nights import NIGHT_KEYS, night_rows

    engine = session.engine()
    part = session.selection(engine, asked)
    rows = night_rows(engine, part, with_source=as_json or as_csv)
    if as_json:
        echo_json("runlog.nights/1", {"rows": rows, "rigs": rig_rows(engine, part)})
    elif as_csv:
        echo_csv(rows, [*NIGHT_KEYS, "night_from"])
    elif not rows and part.asks_nothing:
        talk("No night is stored yet. Scan your frames: runlog scan FOLDER")
    elif not rows:
        talk("No night has such frames. runlog nights lists the nights there are")
    else:
        from runlog.cli.by_rig import show_rigs
        from runlog.cli.hour_columns import say_silent, spoken, with_ungraded

        shown = [*SHOWN, "noted"] if any(row["noted"] for row in rows) else SHOWN
        said = [row | {"share_kept": _share(row)} for row in spoken(rows)]
        show(table(said, with_ungraded(shown, rows), DROP))
        if len({row["rig"] for row in rows}) > 1:
            show_rigs(rig_rows(engine, part))
        say_silent(rows)
    return 0


def _share(row: dict[str, float]) -> float | None:
    return row["kept_s"] / row["logged_s"] if row["logged_s"] else None
