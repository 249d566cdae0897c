"""Names of files where there is room; keys that copy a path or open a file; the pointer."""

import asyncio
import stat
from dataclasses import replace
from pathlib import Path

import pytest

from runlog.config import Settings, load_settings
from runlog.errors import ConfigError
from runlog.tui.frames_screen import ListHeading
from runlog.tui.keyline import KeyLine
from runlog.tui.notice import Notice
from runlog.tui.text import fitted_end

from .conftest import Running, disposing, make_app, press, rest
from .nights import Wish, build
from .test_times import rows


async def test_names_stand_in_the_list_where_there_is_room(running: Running) -> None:
    """At 200 columns each row names its file; at 120 there is no room, and no column."""
    async with running(size=(200, 60)) as pilot:
        await press(pilot, "2", "home")
        head, first = rows(pilot)[:2]
        assert "file" in head and ".fits" in first
    async with running(size=(120, 40)) as pilot:
        await press(pilot, "2", "home")
        assert ".fits" not in rows(pilot)[1]


async def test_the_name_stands_beside_the_picture_and_its_path_is_copied(running: Running) -> None:
    """The caption ends with the file; C copies the whole path."""
    async with running(size=(120, 40)) as pilot:
        await press(pilot, "2", "home", "enter")
        caption = pilot.app.screen.view._rows[0].text  # type: ignore[attr-defined]
        assert ".fits" in caption
        await press(pilot, "C")
        assert pilot.app.clipboard.startswith("/nowhere/")
        assert pilot.app.clipboard.endswith(".fits")


async def test_the_file_is_opened_in_the_program_of_the_config(tmp_path: Path) -> None:
    """The program gets its own arguments and the path as one more, whatever the path holds."""
    program, seen = tmp_path / "viewer", tmp_path / "seen"
    program.write_text(f'#!/bin/sh\nprintf "%s|" "$@" > {seen}.part && mv {seen}.part {seen}\n')
    program.chmod(program.stat().st_mode | stat.S_IXUSR)
    folder = tmp_path / "odd; name $(x)"
    folder.mkdir()
    database = tmp_path / "own.sqlite"
    build(database, Wish(nights=1, frames=8, doubtful=2, rejected=1, folder=str(folder))).dispose()
    with disposing(make_app(database)) as app:
        app.session.settings = replace(Settings(), opener=f"{program} --new")
        async with app.run_test(size=(80, 24)) as pilot:
            await rest(pilot)
            await press(pilot, "2", "home", "C")
            path = Path(app.clipboard)
            assert path.parent == folder
            await press(pilot, "F")
            assert "not there" in app.session.said
            path.write_bytes(b"x")
            await press(pilot, "F")
            for _ in range(300):
                if seen.exists():
                    break
                await asyncio.sleep(0.01)
            assert seen.read_text() == f"--new|{path}|"


async def test_what_is_to_be_done_is_not_cut_off(running: Running) -> None:
    """At 80 columns the words that say what to do take a second line, and give it back."""
    async with running() as pilot:
        await press(pilot, "2", "F")
        notice = pilot.app.screen.query_one(Notice)
        shown = [strip.text for strip in notice.render_lines(notice.size.region)]
        assert len(shown) == 2
        assert " ".join("".join(shown).split()).endswith('[review] open_with = "PROGRAM"')
        await press(pilot, "y")
        assert notice.size.height == 1


def test_a_program_that_cannot_be_read_is_refused(tmp_path: Path) -> None:
    """An open quote in the config is told when it is loaded."""
    file = tmp_path / "config.toml"
    file.write_text('[review]\nopen_with = "viewer \'x"\n')
    with pytest.raises(ConfigError, match="open quote"):
        load_settings(file)


async def test_keys_and_headings_can_be_clicked(running: Running) -> None:
    """A click on the line of keys does what the key does; one on a label orders by it."""
    async with running(size=(120, 40)) as pilot:
        await press(pilot, "2")
        await pilot.click(ListHeading, offset=(10, 0))
        await rest(pilot)
        assert pilot.app.session.listing.order.column == "target"  # type: ignore[attr-defined]
        await pilot.click(ListHeading, offset=(10, 0))
        await rest(pilot)
        assert pilot.app.session.listing.order.descending  # type: ignore[attr-defined]
        line = pilot.app.screen.query_one(KeyLine).render().plain
        await pilot.click(KeyLine, offset=(line.index("help"), 0))
        await rest(pilot)
        assert type(pilot.app.screen).__name__ == "HelpScreen"


def test_names_keep_their_ends() -> None:
    """Files of a night differ at the end of their names, not at its start."""
    assert fitted_end("a.fits", 10) == "a.fits    "
    assert fitted_end("M33_Luminance_300s_0005.fits", 12).endswith("0005.fits")
