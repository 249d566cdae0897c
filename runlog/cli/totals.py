"""runlog totals: hours per target and filter, and what is still to go."""

import click

from runlog.cli.common import Session, echo_csv, echo_json, listing, show, table, talk, with_session

SHOWN = (
    "target filter frames logged_s kept_s doubtful_s rejected_s goal_s to_go_s frames_to_go nights"
).split()


@click.command("totals")
@click.option("--target", help="One target, in any spelling.")
@listing
@with_session
def command(session: Session, target: str | None, as_json: bool, as_csv: bool) -> int:
    """Show logged, kept, doubtful and rejected hours per target and filter, against the goals."""
    from runlog.actions.totals import TOTAL_KEYS, total_rows

    rows = total_rows(session.engine(), target)
    if as_json:
        echo_json("runlog.totals/1", {"rows": rows})
    elif as_csv:
        echo_csv(rows, TOTAL_KEYS)
    elif not rows:
        talk("Nothing is stored for this. Scan your frames: runlog scan FOLDER")
    else:
        ungraded = ["ungraded_s"] if any(row["ungraded_s"] for row in rows) else []
        show(table(rows, [*SHOWN[:7], *ungraded, *SHOWN[7:]]))
    return 0
