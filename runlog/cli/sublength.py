"""runlog sublength: how long single exposures should be."""

from typing import Any

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

SHOWN = (
    "filter setting frames usual_s low_s high_s best_s sky_e_s read_noise_e overhead_s spoilt_a_h "
    "clip_s"
).split()
DROP = "setting frames clip_s spoilt_a_h overhead_s read_noise_e sky_e_s best_s"


@click.command("sublength")
@choosing(without="grade fault")
@listing
@with_session
def command(session: Session, as_json: bool, as_csv: bool, asked: dict[str, Any]) -> int:
    """Say which lengths of exposure are within 2 % of the best, and what limits them.

    From your own frames: the sky's light by its noise, the read noise of the header or of bias
    frames, the time between frames, how often a single frame was trailed or doubled, and how bright
    stars are against what a pixel holds. Streaks do not count: stacking rejects them. How a mount
    does in longer exposures than yours is not known.
    """
    from runlog.actions.sublength import SUB_KEYS, rigs_of, sub_lengths

    engine = session.engine()
    rows = sub_lengths(engine, session.selection(engine, asked))
    if as_json:
        echo_json("runlog.sublength/1", {"rows": rows})
    elif as_csv:
        echo_csv(rows, SUB_KEYS)
    elif not rows:
        talk("No light frame that fits is stored.")
    else:
        for rig in rigs_of(rows):
            _show(rig, [row for row in rows if row["rig"] == rig])
    return 0


def _show(rig: str, rows: list[dict[str, Any]]) -> None:
    from rich.text import Text

    show(Text(safe(rig), style="bold"))
    known = [row for row in rows if row["low_s"] is not None]
    several = len({row["setting"] for row in rows}) > 1
    if known:
        unused = set() if several else {"setting"}
        keys = [k for k in SHOWN if k not in unused and any(row[k] is not None for row in known)]
        show(table(known, keys, DROP))
    show(*(Text(f"  {safe(_name(row, several))}: {safe(row['text'])}") for row in rows))
    if known:
        show(Text(f"  {safe(known[0]['spoiling'])}"))


def _name(row: dict[str, Any], several: bool) -> str:
    return ", ".join(part for part in (row["filter"], row["setting"] if several else "") if part)
