"""runlog report: a page to keep, in one file."""

import json
import os
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import Numbers, Session, talk, with_session
from runlog.cli.completing import stored
from runlog.core.ledger.link_names import folder_name

TO_STDOUT = "-"


@click.command("report", cls=Numbers)
@click.argument("date", required=False, shell_complete=stored("nights"))
@choosing(without="night since until filter grade fault")
@click.option(
    "-o",
    "--output",
    metavar="FILE",
    type=click.Path(),
    help="Write it here, - for stdout (default: a name of its own, in this folder).",
)
@click.option("--force", is_flag=True, help="Write over a file that is no page (never FITS).")
@click.option("--now", metavar="MOMENT", help="Print when it was made: ISO 8601, in UTC.")
@click.option("--json", "as_json", is_flag=True, help="Write what the page says, as JSON.")
@with_session
def command(
    session: Session,
    date: str | None,
    output: str | None,
    force: bool,
    now: str | None,
    as_json: bool,
    asked: dict[str, Any],
) -> int:
    """Write a page to keep of the night of DATE (the last one by default).

    One HTML file that needs nothing else: for a phone, a screen, or one sheet of paper. The same
    frames, limits and marks give the same file, byte for byte.
    """
    from runlog.actions.report import night_page

    engine = session.engine()
    zone = session.zone(engine)
    chosen = session.selection(engine, asked | {"night": date})
    report = night_page(engine, session.settings, chosen, zone, _moment(now))
    if as_json:
        _put(session, report, _json(report), output or TO_STDOUT, force)
        return 0
    from runlog.actions.page import html_of

    _put(session, report, html_of(report), output or f"{_name(report)}.html", force)
    return 0


def _json(report: dict[str, Any]) -> str:
    return json.dumps(report, indent=2).replace("\x7f", "\\u007f") + "\n"


def _moment(text: str | None) -> datetime | None:
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        raise click.BadParameter("write it as 2026-10-17T08:00", param_hint="--now") from None
    return found.replace(tzinfo=UTC) if found.tzinfo is None else found.astimezone(UTC)


def _name(report: dict[str, Any]) -> str:
    """Name the file after what it is about."""
    return folder_name(f"{report['about']}-{report['of']}")


def _put(session: Session, report: dict[str, Any], text: str, output: str, force: bool) -> None:
    body = text.encode("utf-8")
    if output == TO_STDOUT:
        _to_stdout(body)
        return
    from runlog.actions.page import MARK
    from runlog.actions.page_file import write_page

    path = Path(output)
    if path.is_dir():
        path /= f"{_name(report)}.html"
    write_page(path, body, MARK.encode(), force=force)
    talk(f"{report['title']}: {os.fspath(path)}")


def _to_stdout(body: bytes) -> None:
    """Write bytes: a page is UTF-8 whatever the terminal is."""
    sys.stdout.flush()
    out = getattr(sys.stdout, "buffer", None)
    if out is None:  # a stream of text only, as in a test
        sys.stdout.write(body.decode("utf-8"))
        return
    out.write(body)
    out.flush()
