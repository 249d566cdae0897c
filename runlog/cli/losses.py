"""runlog losses: what each cause took of the light."""

from typing import Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import (
    Session,
    echo_csv,
    echo_json,
    listing,
    show,
    talk,
    with_session,
)
from runlog.cli.plain_table import say, table

SHOWN = "cause what whose frames lost_s share gained_s cure_s".split()
DROP = "gained_s whose frames share"


@click.command("losses")
@choosing(without="grade fault")  # one grade's frames are not where the time went
@listing
@with_session
def command(session: Session, as_json: bool, as_csv: bool, asked: dict[str, Any]) -> int:
    """Rank what cost you light: clouds, focus, a bright sky, rejects by cause, unused dark.

    A kept frame loses what it is short of the best nights' worth of its time, shared out between
    light, width and sky; a frame that is not kept is lost wholly, to its first fault. It adds up:
    exposed = effective + lost - gained + unknown. "Cured" is the effective time there would be more
    had that cause not been. Dark in which nothing was exposed comes on top, for whole nights alone:
    dark = exposed in it + all of its rows. Nights without any frame are not known here.
    """
    from runlog.actions.losses import LOSS_KEYS, lost

    engine = session.engine()
    rows, sums, cures = lost(engine, session.settings, session.selection(engine, asked))
    if as_json:
        echo_json("runlog.losses/1", {"budget": sums, "refocusing": cures, "rows": rows})
    elif as_csv:
        echo_csv(rows, LOSS_KEYS)
    elif not sums["logged_s"]:
        talk("No light frame that fits is stored.")
    else:
        _show(rows, sums, cures)
    return 0


def _show(rows: list[dict[str, Any]], sums: dict[str, Any], cures: list[dict[str, Any]]) -> None:
    if rows:
        show(table(rows, SHOWN, DROP))
    say("", sums["text"])
    for cure in cures:
        say("", cure["text"])
    if sums["dark_unused_s"] is None:
        talk("The unused dark is known of whole nights alone: leave --target and --filter out.")
