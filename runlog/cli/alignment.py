"""runlog alignment: how far the polar axis is off, by how the field turned."""

from typing import Any

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


@click.command("alignment")
# A night's frames of all targets and filters tell one axis, whatever they were graded.
@choosing(without="target filter grade fault")
@click.option(
    "--mirrored",
    type=click.Choice(["yes", "no"]),
    help="Whether east is right of north in the stored image; else its header tells.",
)
@listing
@with_session
def command(
    session: Session, as_json: bool, as_csv: bool, mirrored: str | None, asked: dict[str, Any]
) -> int:
    """Show for each night how far the polar axis was off, what it cost, and what to do.

    It rests on how the field turned from frame to frame, which guiding does not take out.
    Refraction is. What is told is where the axis points, off the true pole, on the sky.
    """
    from runlog.actions.alignment import ALIGNMENT_KEYS, alignment

    engine = session.engine()
    chosen = session.selection(engine, asked)
    said = None if mirrored is None else mirrored == "yes"
    rows = alignment(engine, session.settings, chosen, said)
    if as_json:
        echo_json("runlog.alignment/1", {"rows": rows})
    elif as_csv:
        echo_csv(rows, ALIGNMENT_KEYS)
    elif not rows:
        fits = "" if chosen.asks_nothing else "that fits "
        talk(f"No light frame {fits}is stored that is not rejected.")
    else:
        _show(rows)
    return 0


def _show(rows: list[dict[str, Any]]) -> None:
    from rich.text import Text

    from runlog.core.alignment.words import heading, sentences, shared_reasons

    for rig in dict.fromkeys(row["rig"] for row in rows):
        own = [row for row in rows if row["rig"] == rig]
        shared = shared_reasons(own)
        show(Text(safe_lines(rig), style="bold"))
        for sentence, nights in shared.items():
            show(Text(nights, style="underline"), Text(f"  {safe_lines(sentence)}"))
        for row in own:
            said = [line for line in sentences(row) if line not in shared]
            if said:
                show(Text(safe_lines(heading(row)), style="underline"))
                show(*(Text(f"  {safe_lines(line)}") for line in said))
