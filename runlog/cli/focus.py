"""runlog focus: what focus sweeps say of the focuser, the temperature and the filters."""

from typing import TYPE_CHECKING, Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import (
    Session,
    echo_csv,
    echo_json,
    listing,
    safe_lines,
    show,
    talk,
    with_session,
)
from runlog.core.columns import plural
from runlog.core.focus.words import heading, sentence
from runlog.core.times import times_in

if TYPE_CHECKING:
    from runlog.actions.focus import FocusTold

PLOT_KEY = "o half-flux radius in px, . fit, | minimum; beneath: x a light frame, X several"


@click.command("focus")
# A sweep is the rig's: it has no target of its own, no grade and no fault.
@choosing(without="target grade fault")
@click.option("--no-plot", is_flag=True, help="Leave out the pictures of the sweeps.")
@listing
@with_session
def command(
    session: Session, as_json: bool, as_csv: bool, no_plot: bool, asked: dict[str, Any]
) -> int:
    """Show where each focus sweep found the focus, and what all of a rig's sweeps tell.

    A night or a filter chooses the sweeps shown. Slope over temperature, filter offsets and advice
    rest on all sweeps of the rig, or of the dates given.
    """
    from runlog.actions.focus import FOCUS_KEYS, focus

    engine = session.engine()
    chosen = session.selection(engine, asked)
    told = focus(engine, session.settings, chosen)
    if as_json:
        echo_json("runlog.focus/1", {"rows": told.rows})
    elif as_csv:
        echo_csv(told.rows, FOCUS_KEYS)
    else:
        with times_in(session.zone(engine)):
            _show(told, plots=not no_plot)
    if not told.sweeps and not as_json and not as_csv:
        talk(
            f"No focus sweep {'' if chosen.asks_nothing else 'that fits '}is stored: it takes "
            "focus frames whose headers tell where the focuser stood."
        )
    if told.without_position:
        talk(
            f"{plural(told.without_position, 'focus frame')} "
            f"tell{'s' * (told.without_position == 1)} no focuser position."
        )
    return 0


def _show(told: "FocusTold", *, plots: bool) -> None:
    from rich.text import Text

    rigs = dict.fromkeys(row["rig"] for row in told.rows)
    for rig in rigs:
        show(Text(safe_lines(rig), style="bold"))
        for drawn in told.sweeps:
            if drawn.row["rig"] == rig:
                show(Text(safe_lines(heading(drawn.row)), style="underline"))
                show(Text(safe_lines(sentence(drawn.row))))
                show(*(Text(safe_lines(line)) for line in drawn.picture if plots), Text(""))
        show(*(Text(safe_lines(sentence(row))) for row in told.others if row["rig"] == rig))
    if plots and any(drawn.picture for drawn in told.sweeps):
        talk(PLOT_KEY)
