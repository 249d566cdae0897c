"""runlog frames: list frames with measurements, grade and reasons."""

import os
from typing import Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import Session, echo_csv, echo_json, listing, show, table, talk, with_session

SHOWN = (
    "taken_at_utc target filter exposure_s stars fwhm_px eccentricity background_adu grade faults "
    "path"
).split()


@click.command("frames")
@choosing()
@listing
@with_session
def command(session: Session, as_json: bool, as_csv: bool, asked: dict[str, Any]) -> int:
    """List frames, one a row; all of them unless narrowed down."""
    from runlog.actions.frames import frame_rows
    from runlog.core.published import ROW_KEYS

    engine = session.engine()
    rows = frame_rows(engine, session.selection(engine, asked))
    if as_json:
        echo_json("runlog.frames/1", {"rows": rows})
    elif as_csv:
        echo_csv(rows, ROW_KEYS)
    else:
        show_frames(rows)
    return 0


def show_frames(rows: list[dict[str, Any]]) -> None:
    """Print frames for a person: the file by its name only."""
    if not rows:
        talk("No frame fits.")
        return
    named = [
        row | {"path": os.path.basename(row["path"] or ""), "faults": _why(row)} for row in rows
    ]
    show(table(named, SHOWN))
    talk(f"{len(rows)} frame{'s' * (len(rows) != 1)}; --json gives every value and the evidence")


def _why(row: dict[str, Any]) -> list[str]:
    """Name the faults, else say why there is no grade; of an unreadable file, what ails it."""
    if row["error"]:
        return [row["error"]]
    if row["faults"]:
        return list(row["faults"])
    if row["grade"] is None:
        return [row["kind"] or ""]
    return [row["note"]] if row["note"] else []
