"""The command line: thin commands, each in its own module, imported only when it is called."""

import codecs
import errno
import io
import os
import sys
from collections.abc import Mapping
from importlib import import_module
from typing import TextIO

import click

from runlog import stopping
from runlog.cli.naming import Suggesting
from runlog.errors import ExitCode, RunlogError, hush_libraries

# Command -> its one-line help, so that `runlog --help` imports none of them.
COMMANDS: Mapping[str, str] = {
    "review": "Review the last night in the terminal (also plain `runlog`).",
    "scan": "Find new frames, read, measure, store and grade them.",
    "night": "Show the morning summary of a night (the last one by default).",
    "report": "Write a page to keep: a night, in one file to read, print and pass on.",
    "nights": "List all nights, a line each.",
    "frames": "List frames with measurements, grade and reasons.",
    "totals": "Show hours per target and filter, and what is still to go.",
    "goal": "Set what is wanted of a target and filter: hours, a ratio, a gain.",
    "forecast": "Say how many more nights the goals need, from your own record.",
    "worth": "Show what keeping or dropping a frame does to the finished picture.",
    "losses": "Rank what cost you light: rejects by cause, width, sky, unused dark.",
    "sublength": "Say which lengths of exposure serve best, and what limits them.",
    "tonight": "Plan the night: what each goal gets, and the order that serves them best.",
    "ahead": "Show the good nights to come of each goal, and the end of its season.",
    "targets": "List targets and their doubts; merge, split, rename.",
    "correct": "Correct what headers say, beside the files; undo it.",
    "focus": "Show where sweeps found the focus, and when to focus again.",
    "alignment": "Show how far the polar axis is off, and what that costs.",
    "calibration": "Show which darks, flats and bias fit the lights, and what is missing.",
    "export": "Hand over kept frames: list, table with shares of depth, tree of links.",
    "trends": "Show the rig over months: what wears, what moved, and when.",
    "note": "Note what was changed on a rig; take it back.",
    "mark": "Give frames a grade of your own, or take it back.",
    "regrade": "Grade again by the limits in force; explain a grade.",
    "policy": "Put limits in force for a rig; compare them with your marks.",
    "measure": "Measure files without a database.",
    "roots": "Show where files live on each machine; map or rename a root.",
    "club": "Show who shares a database on a server; let people in, shut them out.",
    "copy": "Copy the whole database into another: from a file to a server, or back.",
    "check": "Look at the health of database, config and files.",
    "schema": "Print what the JSON of a listing holds, as a JSON Schema.",
    "guide": "Read about a subject at more length.",
    "demo": "Make sample nights, scan them, show the result.",
}


class LazyCommands(Suggesting):
    """A group that knows its commands by name and imports one when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Name the commands in the order a morning uses them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import one command."""
        if cmd_name not in COMMANDS:
            return None
        module = import_module(f"runlog.cli.{cmd_name}")
        command = module.command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands without importing them."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(
    cls=LazyCommands,
    invoke_without_command=True,
    context_settings={"help_option_names": ["-h", "--help"]},
)
@click.option("--db", metavar="URL", help="Database: a file or a URL (default: RUNLOG_DB).")
@click.option(
    "--config",
    metavar="FILE",
    type=click.Path(dir_okay=False),
    help="Config file (default: RUNLOG_CONFIG).",
)
@click.option("--utc", is_flag=True, help="Write times in UTC, not by the site's clock.")
@click.version_option(package_name="runlog")
@click.pass_context
def cli(ctx: click.Context, db: str | None, config: str | None, utc: bool) -> int:
    """Look at every frame of your nights: what went wrong, what is banked, what is to go.

    Start with: runlog scan FOLDER, then: runlog
    """
    ctx.obj = {"db": db, "config": config, "utc": utc}
    return 0 if ctx.invoked_subcommand else _plain(ctx)


def _plain(ctx: click.Context) -> int:
    """Open the review where a person sits; in a pipe or a script, say what there is."""
    if not (sys.stdin.isatty() and sys.stdout.isatty()):
        click.echo(ctx.get_help())
        return 0
    review = cli.get_command(ctx, "review")
    assert review is not None
    return int(ctx.invoke(review) or 0)


def main() -> None:
    """Run the command and tell the shell how it went."""
    _have_streams()
    stopping.listen()
    hush_libraries()
    if "_RUNLOG_COMPLETE" in os.environ:
        from runlog.cli.completing import install

        install()
    _bear_with_streams()
    sys.exit(_run())


def _have_streams() -> None:
    """Open streams that were closed, to nowhere: Python has None in their place."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:
            setattr(sys, name, os.fdopen(os.open(os.devnull, os.O_RDWR), mode, encoding="utf-8"))


def _bear_with_streams() -> None:
    """Let a stream of another encoding than UTF-8 be given what it has no sign for, as escapes."""
    from runlog.core.escape import in_place_of

    codecs.register_error("runlog", in_place_of)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="runlog")


def _run() -> int:
    try:
        return _ran()
    except BrokenPipeError:
        # The reader (head, less) has gone; say nothing more, not even at exit.
        _let_go(sys.stdout)
        return int(ExitCode.DONE)
    except OSError as error:
        if error.errno not in NO_ROOM:
            raise
        return _not_written(error)


def _ran() -> int:
    stopping.begin()
    try:
        result = cli.main(prog_name="runlog", standalone_mode=False)
        stopping.over()
        sys.stdout.flush()
        return int(result or 0)
    except RunlogError as error:
        before = stopping.done_before()
        click.echo(_harmless(f"runlog: {error}" + (before and f"\n  {before}")), err=True)
        return int(error.exit_code)
    except click.ClickException as error:
        said = io.StringIO()
        error.show(file=said)
        click.echo(_harmless(said.getvalue()), err=True, nl=False)  # it repeats what was typed
        return error.exit_code
    except (click.Abort, KeyboardInterrupt):
        stopping.over()
        click.echo(_harmless(f"runlog: {stopping.last_words()}"), err=True)
        return int(ExitCode.INTERRUPTED)


NO_ROOM = frozenset((errno.ENOSPC, errno.EDQUOT, errno.EFBIG))


def _not_written(error: OSError) -> int:
    """Say that what was to be written could not be: the disk it goes to is full."""
    _let_go(sys.stdout)
    unnamed = f"the output, or a file for the moment in {os.environ.get('TMPDIR', '/tmp')},"  # nosec B108
    where = os.fsdecode(error.filename) if error.filename else unnamed
    words = f"{where} could not be written whole ({error.strerror or error})"
    cure = "See that its disk has room and may be written, and run the command again"
    try:
        click.echo(_harmless(f"runlog: {words}\n  {cure}"), err=True)
    except OSError:  # errors go the same way: the exit code is all that is left
        _let_go(sys.stderr)
    return int(ExitCode.CANNOT_WORK)


def _let_go(stream: TextIO) -> None:
    """Send what a stream still holds nowhere, so that nothing is said of it at exit."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def _harmless(text: str) -> str:
    """Take the controls out of names that an error repeats."""
    from runlog.cli.common import safe_lines

    return safe_lines(text)
