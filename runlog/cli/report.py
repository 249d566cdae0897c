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
@click.option(
    "--png", metavar="FILE", type=click.Path(), help="Draw the night's time line alone, as PNG."
)
@click.option("--force", is_flag=True, help="Write over a file that is no page (never FITS).")
@click.option("--now", metavar="MOMENT", help="Print when it was made: ISO 8601, in UTC.")
@click.option("--json", "as_json", is_flag=True, help="Write what the page says, as JSON.")
@with_session
def command(
    session: Session,
    date: str | None,
    output: str | None,
    png: str | None,
    force: bool,
    now: str | None,
    as_json: bool,
    asked: dict[str, Any],
) -> int:
    """Write a page to keep: of the night of DATE (the last one by default), a season, a target.

    One HTML file that needs nothing else: for a phone, a screen, or one sheet of paper. The same
    frames, limits and marks give the same file, byte for byte.
    """
    if date is not None and (asked["season"] or asked["target"]):
        raise click.UsageError("A page is of a night, a season or a target: name one of them")
    report = _report(session, date, asked, _moment(now))
    if png is not None:
        from runlog.actions.page_png import png_of

        _put(report, png_of(report), png, "png", force)
        if output is None and not as_json:
            return 0
    if as_json:
        _put(report, _json(report), output or TO_STDOUT, "json", force)
        return 0
    from runlog.actions.page import html_of
    from runlog.actions.page_for import page_name

    _put(report, html_of(report), output or f"{page_name(report)}.html", "html", force)
    return 0


def _report(
    session: Session, date: str | None, asked: dict[str, Any], now: datetime | None
) -> dict[str, Any]:
    """Gather what is asked for; a target over the nights of a season is that target's page."""
    engine = session.engine()
    zone = session.zone(engine)
    chosen = session.selection(engine, asked | {"night": date})
    if asked["target"]:
        from runlog.actions.report_span import target_page

        return target_page(engine, session.settings, chosen, zone, now)
    if asked["season"]:
        from runlog.actions.report_span import season_page

        return season_page(engine, session.settings, chosen, asked["season"], zone, now)
    from runlog.actions.report import night_page

    return night_page(engine, session.settings, chosen, zone, now)


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


def _put(report: dict[str, Any], text: str | bytes, output: str, kind: str, force: bool) -> None:
    """Write one form of a report to a file, a folder under its own name, or stdout."""
    body = text.encode("utf-8") if isinstance(text, str) else text
    if output == TO_STDOUT:
        _to_stdout(body)
        return
    from runlog.actions.page_file import write_page
    from runlog.actions.page_for import page_name

    path = Path(output)
    if path.is_dir():
        path /= f"{page_name(report)}.{kind}"
    write_page(path, body, force=force)
    talk(f"{report['title']}: {os.fspath(path)}")


def _to_stdout(body: bytes) -> None:
    """Write bytes: a page is UTF-8 whatever the terminal is."""
    sys.stdout.flush()
    out = getattr(sys.stdout, "buffer", None)
    if out is None:  # a stream of text only, as in a test
        sys.stdout.write(body.decode("utf-8", "surrogateescape"))
        return
    out.write(body)
    out.flush()
