"""runlog roots: where files live on each machine."""

import os
from dataclasses import asdict
from typing import Any

import click

from runlog.cli.common import Session, echo_csv, echo_json, listing, safe, show, talk, with_session
from runlog.cli.naming import Suggesting
from runlog.cli.plain_table import table
from runlog.core.columns import plural
from runlog.core.times import times_in

KEYS = "name path missing files scanned_at_utc machines".split()
SHOWN = "root where files scanned_at_utc".split()


@click.group("roots", cls=Suggesting, invoke_without_command=True)
@listing
@with_session
@click.pass_context
def command(ctx: click.Context, session: Session, as_json: bool, as_csv: bool) -> int:
    """Show the folders that files lie in, and where each is on this machine.

    A file is known by the name of its root and its path below it, so that a disk may be plugged in
    at another place, and machines that share a database may have it at different ones.
    """
    if ctx.invoked_subcommand is not None:  # which reads --db and --config here
        config = session.config and str(session.config)
        ctx.obj |= {"db": session.database if session.named else None, "config": config}
        return 0
    from runlog.actions.roots import list_roots

    engine = session.engine()
    rows = [asdict(line) for line in list_roots(engine)]
    if as_json:
        echo_json("runlog.roots/1", {"rows": rows})
    elif as_csv:
        echo_csv(rows, KEYS)
    elif rows:
        said = [row | {"root": row["name"], "where": _where(row)} for row in rows]
        with times_in(session.zone(engine)):
            show(table(said, SHOWN))
    else:
        talk("No file is known yet. Scan your frames: runlog scan FOLDER")
    return 0


def _where(row: dict[str, Any]) -> str:
    if row["path"] is not None:
        return f"{row['path']} (not there now)" if row["missing"] else str(row["path"])
    others = "; ".join(f"on {machine}: {path}" for machine, path in row["machines"].items())
    return f"not on this machine ({others})" if others else "not on this machine"


@command.command("map")
@click.argument("name")
@click.argument("folder", type=click.Path(path_type=bytes))
@with_session
def map_folder(session: Session, name: str, folder: bytes) -> int:
    """Say in which FOLDER of this machine the root NAME is now; nothing is read again.

    Other roots that lay on the same disk are found in its new place too.
    """
    from runlog.actions.open import settle_behind
    from runlog.actions.roots import map_root

    engine = session.engine()
    done = map_root(engine, session.settings, name, folder)
    settle_behind(engine, session.settings)
    for root, path in ((done.name, done.folder), *done.along):
        talk(safe(f"{root} is in {os.fsdecode(path)} on this machine"))
    for inner, outer in done.now_part_of:
        talk(safe(f"{inner} is part of {outer} from now on"))
    talk(f"{plural(done.files, 'file')} known there; what is new or gone: runlog scan")
    return 0


@command.command("rename")
@click.argument("old")
@click.argument("new")
@with_session
def rename(session: Session, old: str, new: str) -> int:
    """Give the root OLD the name NEW; no file and no folder is touched."""
    from runlog.actions.roots import rename_root

    before = rename_root(session.engine(), old, new)
    talk(safe(f"{before} is called {new.strip()} from now on"))
    return 0


@command.command("forget")
@click.argument("name")
@with_session
def forget(session: Session, name: str) -> int:
    """Forget the root NAME, below which no file is known; no folder is touched."""
    from runlog.actions.roots import forget_root

    talk(safe(f"{forget_root(session.engine(), name)} is forgotten"))
    return 0
