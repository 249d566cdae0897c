"""runlog targets: the list with its doubts, and a person's changes of names."""

from dataclasses import asdict
from typing import Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import (
    Session,
    echo_csv,
    echo_json,
    group_session,
    listing,
    safe,
    show,
    talk,
    who,
    with_session,
)
from runlog.cli.completing import stored
from runlog.cli.naming import Suggesting
from runlog.cli.plain_table import table
from runlog.cli.progress import grading_bar
from runlog.core.times import times_in

KEYS = "target frames logged_s ra_deg dec_deg spellings questions".split()
SHOWN = "target frames logged_s spellings".split()


@click.group("targets", cls=Suggesting, invoke_without_command=True)
@choosing()
@listing
@group_session
@click.pass_context
def command(ctx: click.Context, as_json: bool, as_csv: bool, asked: dict[str, Any]) -> int:
    """List targets, how headers spell them, and what is doubtful.

    Names that cannot be told apart for sure are never put together by themselves: they are asked
    about here, each with the command that settles it. Every change can be undone.
    """
    if ctx.invoked_subcommand is None:
        return int(ctx.invoke(_list, as_json=as_json, as_csv=as_csv, **asked))
    return 0


@command.command("list")
@choosing()
@listing
@with_session
def _list(session: Session, as_json: bool, as_csv: bool, asked: dict[str, Any]) -> int:
    """List targets (the same as plain `runlog targets`)."""
    from runlog.actions.targets import target_lines

    engine = session.engine()
    chosen = session.selection(engine, asked)
    lines = target_lines(engine, chosen)
    rows = [asdict(line) for line in lines]
    if as_json:
        echo_json("runlog.targets/1", {"rows": rows})
    elif as_csv:
        echo_csv(rows, KEYS)
    elif not rows and not chosen.asks_nothing:
        talk("No light frame fits this. runlog targets lists the targets there are")
    elif not rows:
        talk("No target is stored yet. Scan your frames: runlog scan FOLDER")
    else:
        show(table([row | {"spellings": _spelled(row)} for row in rows], SHOWN))
        _ask(rows)
    return 0


def _spelled(row: dict[str, Any]) -> list[str]:
    return [f"{s['raw'] or '(none)'} ({s['frames']})" for s in row["spellings"]]


def _ask(rows: list[dict[str, Any]]) -> None:
    from rich.text import Text

    doubtful = [row for row in rows if row["questions"]]
    if not doubtful:
        return
    show(Text("Questions", style="bold"))
    for row in doubtful:
        show(Text(f"  {safe(row['target'])}", style="bold"))
        show(*(Text(f"    {safe(question)}") for question in row["questions"]))


@command.command("merge")
@click.argument("target", shell_complete=stored("targets"))
@click.argument("into", shell_complete=stored("targets"))
@with_session
def _merge(session: Session, target: str, into: str) -> int:
    """Let the frames of TARGET count for INTO, those still to come as well."""
    from runlog.actions.targets import merge

    engine = session.engine()
    with grading_bar() as bar:
        one, other, moved = merge(engine, session.settings, target, into, who(engine), bar)
    talk(safe(f"{one} is {other} from now on ({_frames(moved)})"))
    return 0


@command.command("rename")
@click.argument("target", shell_complete=stored("targets"))
@click.argument("name")
@with_session
def _rename(session: Session, target: str, name: str) -> int:
    """Call TARGET by another NAME."""
    from runlog.actions.targets import rename

    engine = session.engine()
    with grading_bar() as bar:
        old, new, moved = rename(engine, session.settings, target, name, who(engine), bar)
    talk(safe(f"{old} is called {new} from now on ({_frames(moved)})"))
    return 0


@command.command("split")
@click.argument("spelling")
@click.argument("name")
@with_session
def _split(session: Session, spelling: str, name: str) -> int:
    """Make frames whose header spells the target SPELLING a target of their own, NAME."""
    from runlog.actions.targets import split

    engine = session.engine()
    with grading_bar() as bar:
        raw, new, moved = split(engine, session.settings, spelling, name, who(engine), bar)
    talk(safe(f'"{raw}" is {new} from now on ({_frames(moved)})'))
    return 0


@command.command("keep")
@click.argument("target", shell_complete=stored("targets"))
@with_session
def _keep(session: Session, target: str) -> int:
    """Say that TARGET is rightly its own, so that it is not asked about again."""
    from runlog.actions.targets import keep

    engine = session.engine()
    with grading_bar() as bar:
        name, _ = keep(engine, session.settings, target, who(engine), bar)
    talk(safe(f"{name} stays a target of its own"))
    return 0


@command.command("undo")
@click.argument("number", type=int, required=False)
@with_session
def _undo(session: Session, number: int | None) -> int:
    """Take back change NUMBER (the last one by default)."""
    from runlog.actions.targets import undo

    engine = session.engine()
    with grading_bar() as bar:
        line, moved = undo(engine, session.settings, number, who(engine), bar)
    what = f"{line.action} {line.subject} to {line.object}"
    if line.subject == line.object:
        what = f"keep {line.subject}"
    talk(safe(f"Undone: {what} ({_frames(moved)})"))
    return 0


@command.command("log")
@listing
@with_session
def _log(session: Session, as_json: bool, as_csv: bool) -> int:
    """List every change of names ever made."""
    from runlog.actions.targets import changes_book

    engine = session.engine()
    rows = [asdict(change) for change in changes_book(engine)]
    if as_json:
        echo_json("runlog.target_changes/1", {"rows": rows})
    elif as_csv:
        echo_csv(rows, "id action subject object who at_utc undoes stands".split())
    elif rows:
        said = [
            row | {"what": f"{row['action']} {row['subject']}: {row['object']}"} for row in rows
        ]
        with times_in(session.zone(engine)):
            show(table(said, "id what who at_utc stands".split()))
    else:
        talk("No name was ever changed.")
    return 0


def _frames(count: int) -> str:
    return f"{count} frame{'s' * (count != 1)}"
