"""The page to keep from the interface: made beside the keys, handed to a browser, or told where."""

import asyncio
import os
import stat
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from html5lib import HTMLParser
from textual.pilot import Pilot

from runlog.actions import page_for
from runlog.config import Settings

from .conftest import Running, press, rest

OLD = b"SIMPLE  =                    T" + b" " * 2850


@pytest.fixture
def browser(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Work in a folder of one's own, with a program that writes down what it is to show."""
    program, folder = tmp_path / "browser", tmp_path / "odd; folder $(x)"
    program.write_text(f'#!/bin/sh\nprintf "%s|" "$@" >> {tmp_path / "seen"}\n')
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    folder.mkdir()
    monkeypatch.chdir(folder)
    return program


async def handed(seen: Path, ends: str) -> str:
    """Wait for the browser to have been started with a file of that name."""
    for _ in range(1000):
        if seen.exists() and seen.read_text().endswith(f"{ends}|"):
            break
        await asyncio.sleep(0.01)
    return seen.read_text()


def with_program(pilot: Pilot[Any], browser: Path) -> Any:
    """Name the program in the config; the session."""
    session: Any = pilot.app.session  # type: ignore[attr-defined]
    session.settings = replace(Settings(), browser=f"{browser} --new")
    return session


async def test_a_page_of_what_is_in_view_is_made_and_shown(
    running: Running, browser: Path, tmp_path: Path
) -> None:
    """P makes the night's page, on the totals a target's, on the losses the season's."""
    async with running() as pilot:
        session = with_program(pilot, browser)
        for keys, name in (
            ((), "night-2026-10-16.html"), (("4",), "target-M 31.html"),
            (("l",), "season-2026-27.html"),
        ):  # fmt: skip
            await press(pilot, *keys, "P")
            path = os.path.join(os.getcwd(), name)
            assert session.said == f"Handed to browser: {name}, in {os.getcwd()}"
            assert (await handed(tmp_path / "seen", name)).endswith(f"--new|{path}|")
            HTMLParser(strict=True).parse(Path(path).read_bytes())
        assert not session.scan_words


async def test_keys_act_while_it_is_made(running: Running, browser: Path) -> None:
    """The line above the keys says that a page is being made; a second one waits to be asked."""
    async with running() as pilot:
        session = with_program(pilot, browser)
        await pilot.press("P")
        assert "making a page" in session.scan_words
        await pilot.press("P")
        assert session.said == "A page is being made; the next one after it"
        await pilot.press("2")
        await pilot.pause()
        assert pilot.app.screen.place == "frames"  # type: ignore[attr-defined]
        await rest(pilot)
        assert os.listdir() == ["night-2026-10-16.html"]


async def test_why_there_is_no_page_is_said(running: Running, browser: Path) -> None:
    """What lies there under its name and is none of ours stays as it is."""
    Path("night-2026-10-16.html").write_bytes(OLD)
    async with running() as pilot:
        session = with_program(pilot, browser)
        await press(pilot, "P")
        assert session.said.startswith("No page: A FITS file lies there; it was left alone")
        assert "runlog report -o FILE" in session.said
    assert Path("night-2026-10-16.html").read_bytes() == OLD


async def test_without_a_browser_it_says_where_the_page_is(
    running: Running, browser: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where there is no window to open, nothing is started; a program that is gone is named."""
    for name in page_for.SCREENS:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(page_for, "start", lambda *_: pytest.fail("something was started"))
    async with running() as pilot:
        await press(pilot, "P")
        where = f"night-2026-10-16.html, in {os.getcwd()}"
        session: Any = pilot.app.session  # type: ignore[attr-defined]
        assert session.said == f"Made; no browser with a window is known here: {where}"
        monkeypatch.undo()
        os.chdir(browser.parent)
        session.settings = replace(Settings(), browser="/no/such/program")
        await press(pilot, "P")
        assert session.said.startswith("/no/such/program could not be started: No such file")
        assert f"The page: night-2026-10-16.html, in {browser.parent}" in session.said


def test_a_browser_that_wants_our_terminal_is_not_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    """A text browser would write over the interface; one with a window of its own does not."""
    monkeypatch.setenv("DISPLAY", ":0")
    for known, taken in (
        (page_for.webbrowser.GenericBrowser("lynx"), False),
        (page_for.webbrowser.BackgroundBrowser("firefox"), True),
    ):
        monkeypatch.setattr(page_for.webbrowser, "get", lambda known=known: known)
        assert page_for._has_window() is taken
    for name in page_for.SCREENS:
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(page_for.sys, "platform", "linux")
    assert not page_for._has_window()
