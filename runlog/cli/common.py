"""What the commands share: options, the session behind them, and output in three forms."""

import getpass
import json
import os
import re
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import update_wrapper
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from runlog.cli.progress import grading_bar_if_any
from runlog.core.columns import written
from runlog.core.csv_text import csv_text
from runlog.core.escape import escaped_line
from runlog.core.plain_values import plain
from runlog.errors import RunlogError

if TYPE_CHECKING:
    from runlog.actions.open import Database
    from runlog.cli.plain_table import Table
    from runlog.config import Settings
    from runlog.core.selection import Selection
    from runlog.core.times import Zone

Rows = Sequence[Mapping[str, Any]]
MOST_WIDTH = 200  # columns, where no terminal gives a width
_NEGATIVE = re.compile(r"-\.?[0-9]")


@dataclass(frozen=True, slots=True)
class Session:
    """The database and config a command was told to use."""

    database: str
    config: Path | None
    settings: "Settings"
    named: bool = True  # by a person, rather than the default one
    utc: bool = False  # times for people in UTC, rather than by the site's clock

    def zone(self, engine: "Database") -> "Zone":
        """Choose the zone in which times for people are written; JSON and CSV are in UTC."""
        from runlog.actions.zone import zone_of_site
        from runlog.core.times import IN_UTC

        return IN_UTC if self.utc else zone_of_site(engine, self.settings)

    def engine(self, *, make: bool = False, settled: bool = True) -> "Database":
        """Open the database, migrated and settled; only what stores frames may make it.

        What only writes down what a person says need not wait for what is to be `settled`.
        """
        from runlog.actions.open import open_store

        with grading_bar_if_any() as report:
            engine = open_store(
                self.database, self.settings, make=make, settled=settled, tell=talk, report=report
            )
        click.get_current_context().call_on_close(engine.dispose)
        return engine

    def selection(self, engine: "Database", asked: Mapping[str, Any]) -> "Selection":
        """Fold what the options of a command choose."""
        from runlog.actions.selecting import selected

        return selected(engine, self.settings, **asked)


class Numbers(click.Command):
    """A command whose values may begin with a minus: "-30.2 -70.7" is a site, no option."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Read what begins like a negative number as a value: after a blank it is no option."""
        return super().parse_args(ctx, [f" {w}" if _NEGATIVE.match(w) else w for w in args])


# How a command may end that did not go wrong by itself.
KNOWN_ENDS = (RunlogError, OSError, click.ClickException, click.Abort, click.exceptions.Exit)


def named_store(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --db, --config and --utc."""
    config = click.option(
        "--config", metavar="FILE", type=click.Path(dir_okay=False), help="Config file."
    )
    utc = click.option("--utc", is_flag=True, help="Write times in UTC, not by the site's clock.")
    db = click.option("--db", metavar="URL", help="Database: a file or a URL (default: RUNLOG_DB).")
    return db(config(utc(command)))


def group_session(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --db, --config and --utc to a group, for the commands in it; or to what needs none."""

    @named_store
    @click.pass_context
    def run(
        ctx: click.Context,
        /,
        *args: Any,
        db: str | None,
        config: str | None,
        utc: bool,
        **kwargs: Any,
    ) -> Any:
        given = {"db": db, "config": config, "utc": utc}
        ctx.obj = (ctx.obj or {}) | {key: value for key, value in given.items() if value}
        return command(*args, **kwargs)

    return update_wrapper(run, command)


def with_session(command: Callable[..., int]) -> Callable[..., int]:
    """Add --db, --config and --utc, which may stand before or after the command's name."""

    @named_store
    @click.pass_context
    def run(
        ctx: click.Context, /, db: str | None, config: str | None, utc: bool, **kwargs: Any
    ) -> int:
        from runlog.config import DB_VARIABLE, default_database, load_settings

        given = ctx.obj or {}
        name = config or given.get("config")
        path = Path(name) if name else None
        # A group's own command knows them from here.
        utc = utc or bool(given.get("utc"))
        ctx.obj = given | {"db": db or given.get("db"), "config": name, "utc": utc}
        named = ctx.obj["db"] or os.environ.get(DB_VARIABLE)
        session = Session(
            named or default_database(),
            path,
            load_settings(path),
            bool(named),
            utc,
        )
        try:
            return command(session, **kwargs)
        except KNOWN_ENDS:
            raise
        except Exception:  # rows that nobody wrote, from a damaged file, may fail anywhere
            from runlog.actions.open import refuse_spoilt

            refuse_spoilt(session.database)
            raise

    return update_wrapper(run, command)


def listing(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add --json and --csv."""
    said = "Write CSV; text is escaped as in JSON."
    command = click.option("--csv", "as_csv", is_flag=True, help=said)(command)
    return click.option("--json", "as_json", is_flag=True, help="Write JSON.")(command)


def who(engine: "Database") -> str:
    """Name whoever is at work: the login at a server, else the person at the keyboard."""
    from runlog.actions.open import login_of

    if (login := login_of(engine)) is not None:
        return login
    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):  # no such user, as in some containers
        return "unknown"


def own_login(engine: "Database") -> str:
    """Name the login whose own goals are meant; a file has none."""
    from runlog.actions.open import login_of

    login = login_of(engine)
    if login is None:
        raise click.UsageError("A database that is a file has one person: leave out --mine")
    return login


def echo_json(schema: str, body: Mapping[str, Any]) -> None:
    """Write one JSON object with its schema first."""
    text = json.dumps({"schema": schema} | plain(body), indent=2)
    click.echo(text.replace("\x7f", "\\u007f"))  # the one control that JSON lets through


def echo_csv(rows: Rows, keys: Sequence[str]) -> None:
    """Write CSV with a heading."""
    click.echo(csv_text(rows, keys), nl=False)


def _storable(text: str) -> str:
    """Keep a path that is not UTF-8 writable, its odd bytes shown as escapes."""
    return text.encode("utf-8", "surrogateescape").decode("utf-8", "backslashreplace")


def safe(text: str) -> str:
    """Make text from a header or path harmless on a terminal: no controls, no odd bytes."""
    return "".join(c if c.isprintable() else "�" for c in _storable(text))


def safe_lines(text: str) -> str:
    """Make text of several lines harmless on a terminal."""
    return "\n".join(map(safe, text.split("\n")))


def shown(row: Mapping[str, Any], key: str) -> str:
    """Write one value of a row for people; a path so that it can be typed."""
    text = written(key, row.get(key))
    return escaped_line(text) if key == "path" else safe(text)


def show(*parts: Any) -> None:
    """Print tables and text to stdout, as wide as the terminal or as needed in a pipe."""
    from rich.console import Console

    from runlog.cli.plain_table import Table

    width = table_width()
    console = Console(highlight=False, width=width or MOST_WIDTH)
    for part in parts:
        if isinstance(part, Table):
            _show_table(part, width)
        else:  # a command is printed to be copied: it is on one line, however long
            console.print(part, soft_wrap="runlog " in str(part))


def _show_table(part: "Table", width: int | None) -> None:
    head, *rest = part.lines(width)
    click.echo("\n".join([click.style(head, bold=True) if _has_styles() else head, *rest]))
    if left_out := part.left_out(width):
        talk(f"No room for: {', '.join(left_out)} (a wider window, or --json, has them)")


def table_width() -> int | None:
    """Tell how many cells a line has; None in a pipe, where it has as many as it needs."""
    if is_terminal() or os.environ.get("COLUMNS", "").isdigit():
        return shutil.get_terminal_size().columns
    return None


def _has_styles() -> bool:
    return os.environ.get("TERM") not in ("dumb", "unknown")


def is_terminal() -> bool:
    """Tell whether a person reads stdout."""
    return os.isatty(1)


def talk(*lines: str) -> None:
    """Say something to the person, on stderr; names in it are harmless."""
    for line in lines:
        click.echo(safe_lines(line), err=True)
