"""The sixth place: the rig over nights, with the sentences of the commands."""

import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from runlog.actions.notes import notes_book
from runlog.tui.rig_entries import PARTS

from .conftest import Running, press, rest
from .nights import Wish, build, with_sweep

NIGHTS = 14


@pytest.fixture(scope="module")
def built_rig(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Fourteen nights, a sweep on each of the first three."""
    path = tmp_path_factory.mktemp("rig") / "rig.sqlite"
    engine = build(path, Wish(nights=NIGHTS, frames=12, doubtful=2, rejected=1, pictures=False))
    for night in range(3):
        with_sweep(engine, night, 11_400.0 - 12 * night)
    engine.dispose()
    return path


@pytest.fixture
def rig(built_rig: Path, tmp_path: Path) -> Path:
    """A fresh copy."""
    return Path(shutil.copy(built_rig, tmp_path / "rig.sqlite"))


def command(database: Path, *words: str) -> str:
    """Run runlog as a person does; what it says, its line breaks taken out."""
    line = [sys.executable, "-m", "runlog", "--db", str(database), *words]
    done = subprocess.run(line, capture_output=True, text=True, check=True)
    return " ".join(done.stdout.split())


def part(pilot: Pilot[Any], name: str) -> Any:
    """The screen, which must show a part."""
    screen: Any = pilot.app.screen
    assert screen.part.name == name
    return screen


def text_of(screen: Any, name: str) -> str:
    """What a piece of the screen says."""
    return str(screen.query_one(f"#{name}").content)


async def test_every_sentence_of_the_commands_is_there(running: Running, rig: Path) -> None:
    """Guards that screen and command say the same of sweeps, the polar axis and the series."""
    async with running(size=(160, 48), path=rig) as pilot:
        await press(pilot, "6")
        for keys, words in (((), ("focus", "--no-plot")), (("right",), ("alignment",)),
                            (("tab",), ("trends", "--json"))):  # fmt: skip
            await press(pilot, *keys)
            said = command(rig, *words)
            screen: Any = pilot.app.screen
            told = [line for entry in screen.entries for line in entry.told]
            assert len(told) > 8
            for line in told:  # headings and sentences end in a full stop of the screen's own
                if line.startswith("Night of"):  # the command tells once what nights share
                    continue
                sentence = line.split(": ", 1)[1] if words[0] == "trends" else line
                assert " ".join(sentence.split()).rstrip(".") in said


async def test_a_sweep_is_drawn_with_its_fit_and_its_minimum(running: Running, rig: Path) -> None:
    """Guards the plot: seven dots, the fit through them, the minimum that the sentence names."""
    async with running(size=(120, 40), path=rig) as pilot:
        await press(pilot, "6", "end", *["down"] * 5)
        screen = part(pilot, "sweeps")
        assert screen.here.night == "2026-10-02"
        assert "Best position 11400" in text_of(screen, "rig_told")
        view = screen.query_one("#rig_plot")
        drawn = "\n".join(view.render_line(y).text for y in range(view.size.height))
        assert drawn.count("o") == 7 + "focuser position".count("o") + "over".count("o")
        assert "│11400" in drawn
        assert any(quarter in drawn for quarter in "▘▝▖▗▄▀")
        assert len(screen.here.chart.lines) == 1


async def test_it_opens_on_the_night_in_view(running: Running, rig: Path) -> None:
    """Guards the first line chosen, and Enter, which turns to the night of the line."""
    async with running(path=rig) as pilot:
        await press(pilot, *["left"] * (NIGHTS - 2), "6")
        screen = part(pilot, "sweeps")
        assert screen.here.night == pilot.app.session.here.night == "2026-10-09"
        await press(pilot, "down", "enter")
        assert pilot.app.current_mode == "night"
        assert pilot.app.session.here.night == "2026-10-02"
        await press(pilot, "6", "left", "left", "enter")
        assert pilot.app.session.said == "This is of all nights"


async def test_a_change_is_noted_and_taken_back(running: Running, rig: Path) -> None:
    """Guards notes from the interface: n stores one for the night in view, u takes it back."""
    async with running(path=rig) as pilot:
        await press(pilot, "6", "left")
        screen = part(pilot, "changes")
        assert "Nothing is noted" in text_of(screen, "rig_rows")
        await press(pilot, "n", *"collimated", "enter")
        assert pilot.app.session.said.startswith("Noted from 2027-01-01 on: collimated")
        assert "collimated" in text_of(screen, "rig_rows")
        await press(pilot, "N", *"dew", "enter")
        book = notes_book(pilot.app.session.engine)
        assert [(n.text, n.changed, n.who) for n in book] == [
            ("collimated", True, "mia"), ("dew", False, "mia")]  # fmt: skip
        assert len(screen.entries) == 2
        await press(pilot, "u", "u")
        assert [n.speaks for n in notes_book(pilot.app.session.engine)[:2]] == [False, False]
        assert text_of(screen, "rig_rows").count("taken back") == 2
        await press(pilot, "U")
        assert "Made again" in pilot.app.session.said
        assert text_of(screen, "rig_rows").count("taken back") == 1


async def test_a_note_stands_in_the_chart_of_a_series(running: Running, rig: Path) -> None:
    """Guards that a change is seen where the series is: an upright line with its words."""
    command(rig, "note", "collimated", "--date", "2026-11-06")
    async with running(size=(160, 48), path=rig) as pilot:
        await press(pilot, "6", "right", "right")
        screen = part(pilot, "months")
        assert [word for _, word in screen.here.chart.marks] == ["collimated"]
        view = screen.query_one("#rig_plot")
        drawn = "\n".join(view.render_line(y).text for y in range(view.size.height))
        assert "collimated" in drawn


@pytest.mark.parametrize("size", [(20, 6), (40, 12), (80, 24), (120, 40), (200, 60)])
async def test_it_fits_any_terminal(running: Running, rig: Path, size: tuple[int, int]) -> None:
    """Guards small terminals: every part is drawn, no line runs over, every key answers."""
    async with running(size=size, path=rig) as pilot:
        await press(pilot, "6")
        for _ in PARTS:
            await press(pilot, "down", "down", "up", "pagedown", "pageup", "right")
            screen: Any = pilot.app.screen
            width = screen.query_one("#rig_rows").size.width
            if screen.entries:
                rows = text_of(screen, "rig_rows").split("\n")
                assert all(len(row) <= max(width, 1) for row in rows)
        part(pilot, "sweeps")


async def test_what_does_not_fit_can_be_read_on(running: Running, rig: Path) -> None:
    """Guards a low terminal: Page Down scrolls what is said of all sweeps, Page Up back."""
    async with running(size=(60, 14), path=rig) as pilot:
        await press(pilot, "6", *["up"] * 6)
        words = part(pilot, "sweeps").query_one("#rig_words")
        await press(pilot, "pagedown")
        assert words.scroll_y > 0
        await press(pilot, "pageup")
        assert words.scroll_y == 0


async def test_parts_and_lines_can_be_clicked(running: Running, rig: Path) -> None:
    """Guards the pointer: a part by its name, a line by its row."""
    async with running(size=(120, 40), path=rig) as pilot:
        await press(pilot, "6")
        await pilot.click("#parts", offset=(14, 0))
        await rest(pilot)
        screen = part(pilot, "polar axis")
        await pilot.click("#rig_rows", offset=(5, 4))
        await rest(pilot)
        assert screen.at == 3


async def test_nothing_stored_is_said(running: Running, tmp_path: Path) -> None:
    """Guards the empty database: each part says why it is empty."""
    engine = build(tmp_path / "none.sqlite", Wish(nights=0))
    engine.dispose()
    async with running(path=tmp_path / "none.sqlite") as pilot:
        await press(pilot, "6")
        for one in PARTS:
            assert one.none.split(":")[0] in text_of(pilot.app.screen, "rig_rows")
            await press(pilot, "right")
        await press(pilot, "n")
        assert "none with a date" in pilot.app.session.said
