"""runlog worth: what keeping or dropping a frame does to the finished picture."""

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
    from runlog.actions.open import Database
    from runlog.core.worth.advice import Asked

SHOWN = (
    "key taken_at_utc target filter grade light half_rule depth_change star_depth_change "
    "width_change depth_change_best advice faults path"
).split()
DROP = "path taken_at_utc depth_change_best half_rule faults light"
WEIGHTS = click.option(
    "--weights",
    type=click.Choice(["equal", "best"]),
    default="equal",
    show_default=True,
    help="How your stack weighs frames: added as they are, or by inverse variance (best).",
)


@click.command("worth")
@WEIGHTS
@click.option(
    "--dither", is_flag=True, help="Say instead whether the kept frames are dithered and many."
)
@choosing()
@listing
@with_session
def command(
    session: Session, weights: str, dither: bool, as_json: bool, as_csv: bool, asked: dict[str, Any]
) -> int:
    """Show what keeping a frame does to the finished picture: its depth, and its stars' width.

    The picture is all kept frames of the same target, filter and rig, whatever the dates. Asked
    about are doubtful frames, and kept ones that bring less than half of what the usual one does;
    --grade or --fault ask about all of theirs. With equal weights a frame helps from about half
    the usual light on; with best weights it always deepens the picture. Nothing is changed here:
    runlog mark --as-advised marks by this. --dither tells whether hot pixels and trails can be
    rejected from what is kept, and whether finer pixels would gain detail.
    """
    if dither:
        return _dithers(session, asked, as_json=as_json, as_csv=as_csv)
    from runlog.actions.worth import WORTH_KEYS, picture_rows, worth, worth_rows
    from runlog.core.worth.stack import Weights

    engine = session.engine()
    chosen = session.selection(engine, asked)
    found = worth(engine, session.settings, chosen, Weights(weights))
    if as_json:
        body = {"pictures": picture_rows(found), "rows": worth_rows(engine, found)}
        echo_json("runlog.worth/1", body)
    elif as_csv:
        echo_csv(worth_rows(engine, found), WORTH_KEYS)
    elif not found:
        talk("No frame that fits is doubtful, or kept and of little use: nothing to decide.")
    else:
        _show(engine, found)
    return 0


def _dithers(session: Session, asked: dict[str, Any], *, as_json: bool, as_csv: bool) -> int:
    from rich.text import Text

    from runlog.actions.worth import DITHER_KEYS, dithers

    engine = session.engine()
    rows = dithers(engine, session.selection(engine, asked))
    if as_json:
        echo_json("runlog.dither/1", {"rows": rows})
    elif as_csv:
        echo_csv(rows, DITHER_KEYS)
    elif not rows:
        talk("No kept frame fits.")
    else:
        show(*(Text(safe(f"{r['target']} {r['filter']}: {r['text']}")) for r in rows))
    return 0


def _show(engine: "Database", found: "list[Asked]") -> None:
    import os

    from rich.text import Text

    from runlog.actions.frames import short_keys
    from runlog.actions.worth import picture_rows, worth_rows

    rows = worth_rows(engine, found)
    keys = short_keys(engine, rows)
    for row in rows:
        row |= {"key": keys[row["fingerprint"]], "path": os.path.basename(row["path"] or "")}
    shown = [key for key in SHOWN if any(row[key] not in (None, []) for row in rows)]
    show(table(rows, shown, DROP), Text(""))
    show(*(Text(safe(picture["text"])) for picture in picture_rows(found)))
    talk(
        "light: of the usual kept frame's; even at: from there on it deepens a sum of equal "
        "weights; depth: of faint surfaces; stars: depth of stars; width: of the picture's stars"
    )
