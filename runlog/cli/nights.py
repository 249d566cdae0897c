"""runlog nights: all runs, a line each."""

import click

from runlog.cli.common import Session, echo_csv, echo_json, listing, talk, with_session

SHOWN = "night rig frames logged_s kept_s doubtful_s rejected_s share_kept".split()


@click.command("nights")
@listing
@with_session
def command(session: Session, as_json: bool, as_csv: bool) -> int:
    """List all nights, newest first: light frames and hours by grade."""
    from runlog.actions.nights import NIGHT_KEYS, night_rows

    rows = night_rows(session.engine(), with_source=as_json or as_csv)
    if as_json:
        echo_json("runlog.nights/1", {"rows": rows})
    elif as_csv:
        echo_csv(rows, [*NIGHT_KEYS, "night_from"])
    elif not rows:
        talk("No night is stored yet. Scan your frames: runlog scan FOLDER")
    else:
        from runlog.cli.plain_table import show_rows

        show_rows([row | {"share_kept": _share(row)} for row in rows], SHOWN)
    return 0


def _share(row: dict[str, float]) -> float | None:
    return row["kept_s"] / row["logged_s"] if row["logged_s"] else None
