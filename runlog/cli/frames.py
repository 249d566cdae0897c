"""runlog frames: list frames with measurements, grade and reasons."""

import os
from collections.abc import Mapping
from typing import Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import Session, echo_csv, echo_json, listing, show, talk, with_session
from runlog.cli.plain_table import table
from runlog.core.columns import plural
from runlog.core.times import times_in

SHOWN = (
    "key taken_at_utc target filter exposure_s fwhm_px eccentricity background_adu stars grade "
    "faults path"
).split()
DROP = "stars background_adu exposure_s path eccentricity filter target fwhm_px faults"


@click.command("frames")
@choosing()
@listing
@with_session
def command(session: Session, as_json: bool, as_csv: bool, asked: dict[str, Any]) -> int:
    """List frames, one a row; all of them unless narrowed down."""
    from runlog.actions.frames import frame_rows, short_keys
    from runlog.core.published import ROW_KEYS

    engine = session.engine()
    rows = frame_rows(engine, session.selection(engine, asked))
    if as_json:
        echo_json("runlog.frames/1", {"rows": rows})
    elif as_csv:
        echo_csv(rows, ROW_KEYS)
    else:
        with times_in(session.zone(engine)):
            show_frames(rows, short_keys(engine, rows))
    return 0


def show_frames(rows: list[dict[str, Any]], keys: Mapping[str, str]) -> None:
    """Print frames for a person: the file by its name only, and what names it in a command."""
    if not rows:
        talk("No frame fits.")
        return
    named = [
        row
        | {"path": os.path.basename(row["path"] or ""), "faults": _why(row)}
        | {"key": keys.get(row["fingerprint"])}
        for row in rows
    ]
    show(table(named, SHOWN, DROP))
    talk(
        f"{plural(len(rows), 'frame')}; --json gives every value and the evidence; the key names a "
        "frame: runlog mark KEY reject"
    )


def _why(row: dict[str, Any]) -> list[str]:
    """Name the faults, and what people say or why there is no grade; else what ails the file."""
    if row["error"]:
        return [row["error"]]
    if row["grade"] is None:
        return list(row["faults"]) or [row["kind"] or ""]
    return [*row["faults"], *([row["note"]] if row["note"] else ())]
