"""Make the page of a night, a target or a season where one works, and show it in a browser."""

import os
import shlex
import sys
import webbrowser
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from sqlalchemy import Engine

from runlog.actions.page import html_of
from runlog.actions.page_file import write_page
from runlog.actions.programs import start
from runlog.actions.report import night_page
from runlog.actions.report_span import season_page, target_page
from runlog.actions.selecting import selected
from runlog.config import Settings
from runlog.core.ledger.link_names import folder_name
from runlog.core.selection import Selection
from runlog.core.times import Zone
from runlog.errors import UsageError

SCREENS = "DISPLAY", "WAYLAND_DISPLAY"  # one of which a graphic session sets, but for those below
WITHOUT = "darwin", "win32", "cygwin"


def page_name(report: Mapping[str, Any]) -> str:
    """Name a page's file after what it is about."""
    return folder_name(f"{report['about']}-{report['of']}")


def make_page(
    engine: Engine, settings: Settings, about: str, of: str, zone: Zone, folder: str
) -> str:
    """Write a page into a folder, over one of ours of the same name; returns its path.

    It is about a night of a date, a target of a name, or a season of one.
    """
    report = _report(engine, settings, about, of, zone)
    path = Path(folder) / f"{page_name(report)}.html"
    try:
        write_page(path, html_of(report).encode())
    except UsageError as error:
        raise UsageError(
            error.what, error.where, "Or write it elsewhere: runlog report -o FILE"
        ) from None
    return os.fspath(path)


def _report(engine: Engine, settings: Settings, about: str, of: str, zone: Zone) -> dict[str, Any]:
    if about == "night":
        return night_page(engine, settings, Selection(night=of), zone, None)
    if about == "target":
        return target_page(engine, settings, Selection(target=of), zone, None)
    chosen = selected(engine, settings, season=of)
    return season_page(engine, settings, chosen, of, zone, None)


# --- showing it -----------------------------------------------------------------------------


def show_page(_engine: Engine, settings: Settings, path: str) -> str:
    """Hand a page to the program the config names, else to the browser; says what became of it."""
    if settings.browser:
        command = shlex.split(settings.browser)
        start([*command, path])
        return f"Handed to {os.path.basename(command[0])}"
    if not _has_window():
        return "Made; no browser with a window is known here"
    start([sys.executable, "-m", "webbrowser", Path(path).absolute().as_uri()])
    return "Handed to the browser"


def _has_window() -> bool:
    """Tell whether there is a browser that does not want our terminal for itself."""
    if sys.platform not in WITHOUT and not any(map(os.environ.get, SCREENS)):
        return False
    try:
        return type(webbrowser.get()) is not webbrowser.GenericBrowser
    except webbrowser.Error:
        return False
