"""runlog export: hand over kept frames."""

import os
import sys
from typing import TYPE_CHECKING, Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import (
    Session,
    echo_csv,
    echo_json,
    is_terminal,
    listing,
    safe,
    talk,
    with_session,
)
from runlog.core.columns import plural
from runlog.core.escape import escaped_line
from runlog.errors import ExitCode

if TYPE_CHECKING:
    from runlog.actions.export import Keepers

NAMED = 10


@click.command("export")
@choosing(without="grade")  # what is handed over is kept; --doubtful adds to it
@click.option("--doubtful", is_flag=True, help="Doubtful frames as well.")
@click.option("--links", metavar="FOLDER", type=click.Path(path_type=bytes), help="Link them here.")
@click.option("--hard", is_flag=True, help="Hard links instead of symbolic ones.")
@click.option("--dry-run", is_flag=True, help="Only say what would be linked.")
@click.option("-0", "--null", "null", is_flag=True, help="End each path with a null byte.")
@listing
@with_session
def command(
    session: Session,
    as_json: bool,
    as_csv: bool,
    doubtful: bool,
    links: bytes | None,
    hard: bool,
    dry_run: bool,
    null: bool,
    asked: dict[str, Any],
) -> int:
    """List the kept frames' files, one a line, or link them as target/filter/night.

    --csv gives a table with effective time and depth_share, its share of the best frame's of the
    same target and filter (named weight before; for one release both names are there). A tree of
    links never overwrites anything: what lies in the way is left alone and named.
    """
    from runlog.actions.export import EXPORT_KEYS, export_rows, kept

    engine = session.engine()
    found = kept(engine, session.selection(engine, asked), doubtful)
    if not found.frames and not found.gone:
        talk("No kept frame fits this. Hours by grade: runlog totals")
    if links is not None:
        return _links(found, links, hard, dry_run)
    if as_json:
        echo_json("runlog.export/2", {"rows": export_rows(found)})
    elif as_csv:
        echo_csv(export_rows(found), EXPORT_KEYS)
    else:
        _list(found, null)
    return _gone(found)


def _list(found: "Keepers", null: bool) -> None:
    """Write paths as bytes, for a name need not be text; for a person, as lines of text."""
    if is_terminal() and not null:
        for keeper in found.frames:
            click.echo(escaped_line(os.fsdecode(keeper.path)))
        return
    _write(found, b"\0" if null else b"\n")
    broken = sum(b"\n" in keeper.path for keeper in found.frames)
    if broken and not null:
        verb = "holds" if broken == 1 else "hold"
        talk(f"{plural(broken, 'path')} {verb} a line break; -0 ends each path with a null byte")


def _write(found: "Keepers", end: bytes) -> None:
    sys.stdout.flush()
    out = getattr(sys.stdout, "buffer", None)
    for keeper in found.frames:
        if out is None:  # a stream of text only, as in a test
            sys.stdout.write(os.fsdecode(keeper.path) + end.decode())
        else:
            out.write(keeper.path + end)
    if out is not None:
        out.flush()


def _links(found: "Keepers", folder: bytes, hard: bool, dry_run: bool) -> int:
    from runlog.actions.export import link_tree

    result = link_tree(folder, found.frames, hard, dry_run)
    if dry_run:
        for path in result.made:
            click.echo(safe(os.fsdecode(path)))
    did = "would be linked" if dry_run else "linked"
    talk(f"{len(result.made)} {did}, {result.there} there before")
    for path, why in result.refused[:NAMED]:
        talk(f"  not linked: {safe(os.fsdecode(path))}: {why}")
    if len(result.refused) > NAMED:
        talk(f"  not linked: {len(result.refused) - NAMED} more")
    return ExitCode.SOME_FAILED if result.refused else _gone(found)


def _gone(found: "Keepers") -> int:
    if not found.gone:
        return ExitCode.DONE
    many = len(found.gone)
    verb, whose = ("is", "its") if many == 1 else ("are", "their")
    talk(
        f"{plural(many, 'kept frame')} {verb} not on disk now; plug in {whose} disk, or scan again:"
    )
    talk(*(f"  {safe(os.fsdecode(path))}" for path in found.gone[:NAMED]))
    return ExitCode.SOME_FAILED
