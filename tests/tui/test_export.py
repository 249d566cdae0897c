"""Export from the interface: links, a table, a list; nothing is ever written over."""

import csv
import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot
from textual.widgets import Input

from runlog.tui.export_screen import ExportScreen

from .conftest import Running, press
from .nights import Wish, build


@pytest.fixture
def there(tmp_path: Path) -> Path:
    """One night of twenty frames whose files are there; four are doubtful, one is rejected."""
    frames = tmp_path / "frames"
    frames.mkdir()
    wish = Wish(nights=1, frames=20, doubtful=4, rejected=1, folder=str(frames))
    build(tmp_path / "kept.sqlite", wish).dispose()
    return tmp_path


def command(database: Path, *words: str) -> str:
    """Run runlog as a person does."""
    line = [sys.executable, "-m", "runlog", "--db", str(database), *words]
    return subprocess.run(line, capture_output=True, text=True, check=True).stdout


async def fill_in(pilot: Pilot[Any], place: Path) -> None:
    """Type a place and press Enter."""
    dialog = pilot.app.screen
    assert isinstance(dialog, ExportScreen)
    dialog.query_one(Input).value = str(place)
    await press(pilot, "enter")


def amount(pilot: Pilot[Any]) -> str:
    """What would be exported."""
    return str(pilot.app.screen.query_one("#amount").content)  # type: ignore[attr-defined]


def complaint(pilot: Pilot[Any]) -> str:
    """What is wrong."""
    return str(pilot.app.screen.query_one("#complaint").content)  # type: ignore[attr-defined]


async def test_a_row_of_the_totals(running: Running, there: Path) -> None:
    """e on a total exports its kept frames as the command does, as a list, a table and links; Tab
    adds the doubtful ones; the same place again is refused or changes nothing."""
    database = there / "kept.sqlite"
    async with running(path=database) as pilot:
        await press(pilot, "4", "e")
        target, name = "M 31", "Ha"
        wanted = command(database, "export", "--target", target, "--filter", name).splitlines()
        assert len(wanted) > 2
        assert amount(pilot).startswith(f"{len(wanted)} kept frames, ")
        await fill_in(pilot, there / "list.txt")
        assert (there / "list.txt").read_text().splitlines() == wanted
        assert pilot.app.session.said.startswith(f"List of {len(wanted)} paths")

        await press(pilot, "e")
        await fill_in(pilot, there / "list.txt")
        assert "There is such a file" in complaint(pilot)
        await fill_in(pilot, there / "table.csv")
        told = command(database, "export", "--target", target, "--filter", name, "--csv")
        assert (there / "table.csv").read_text() == told
        assert [row["path"] for row in csv.DictReader(told.splitlines())] == wanted

        await press(pilot, "e", "tab")
        both = command(
            database, "export", "--target", target, "--filter", name, "--doubtful"
        ).splitlines()
        assert amount(pilot).startswith(f"{len(both)} kept or doubtful frames, ")
        assert len(both) > len(wanted)
        for path in both:
            Path(path).write_bytes(b"a frame")
        await fill_in(pilot, there / "tree")
        links = [p for p in (there / "tree").rglob("*") if p.is_symlink()]
        assert {os.readlink(link) for link in links} == set(both)
        assert {link.relative_to(there / "tree").parts[:2] for link in links} == {(target, name)}
        await press(pilot, "e", "tab")
        await fill_in(pilot, there / "tree")
        assert f"0 linked, {len(both)} there before" in pilot.app.session.said


async def test_the_sum_of_a_target_and_a_list(running: Running, there: Path) -> None:
    """A sum exports all filters of its target; a list what it shows, or what is picked of it."""
    database = there / "kept.sqlite"
    async with running(path=database) as pilot:
        await press(pilot, "4", "down", "down", "e")
        await fill_in(pilot, there / "m31.txt")
        wanted = command(database, "export", "--target", "M 31").splitlines()
        assert (there / "m31.txt").read_text().splitlines() == wanted

        await press(pilot, "2", "slash", *"Ha", "enter", "e")
        await fill_in(pilot, there / "ha.txt")
        wanted = command(database, "export", "--filter", "Ha").splitlines()
        assert (there / "ha.txt").read_text().splitlines() == wanted
        await press(pilot, "home", "space", "space", "e")
        assert "2 frames picked" in str(pilot.app.screen.query_one("Label").content)
        await press(pilot, "escape")
        assert not isinstance(pilot.app.screen, ExportScreen)


async def test_what_is_wrong_is_said(running: Running, there: Path) -> None:
    """No place, a folder that is not there, a file in the way of a folder, nothing kept, files that
    are gone: each is said, and what was typed stays to be corrected."""
    database = there / "kept.sqlite"
    async with running(path=database) as pilot:
        await press(pilot, "4", "e", "enter")
        assert "No place is named" in complaint(pilot)
        await fill_in(pilot, there / "nowhere" / "list.txt")
        assert "No such file or directory" in complaint(pilot)
        assert pilot.app.screen.query_one(Input).value.endswith("list.txt")
        await fill_in(pilot, database)
        assert "This is a file, not a folder" in complaint(pilot)
        await press(pilot, "escape", "2", "slash", *"reject", "enter", "e")
        assert amount(pilot) == "No kept frame to export"
        await fill_in(pilot, there / "none")
        assert "nothing to export" in complaint(pilot)
        assert not (there / "none").exists()


@pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not there")
def test_in_a_real_terminal(there: Path) -> None:
    """The same by keys through a terminal: 4, e, a place, Enter; the list lies there."""
    database = there / "kept.sqlite"
    name = f"runlog-export-{os.getpid()}"
    place = there / "out.txt"
    line = f"XDG_STATE_HOME={there} {sys.executable} -m runlog --db {database}"

    def tmux(*words: str) -> str:
        own = ["tmux", "-S", str(there / "tmux"), "-f", os.devnull, *words]  # a server of its own
        return subprocess.run(own, capture_output=True, text=True, check=True).stdout

    def until(words: str) -> None:
        from time import monotonic, sleep

        end = monotonic() + 30
        while words not in tmux("capture-pane", "-t", name, "-p"):
            assert monotonic() < end, tmux("capture-pane", "-t", name, "-p")
            sleep(0.05)

    tmux("new-session", "-d", "-s", name, "-x", "80", "-y", "24", line)
    try:
        until("Part by part")
        tmux("send-keys", "-t", name, "4")
        until("e export")
        until("all")
        tmux("send-keys", "-t", name, "e")
        until("kept frames, ")
        tmux("send-keys", "-t", name, str(place), "Enter")
        until("List of ")
    finally:
        tmux("kill-server")
    wanted = command(database, "export", "--target", "M 31", "--filter", "Ha").splitlines()
    assert place.read_text().splitlines() == wanted
