"""What goes wrong in real life ends in words on the screen, never in a crash."""

import os
import shutil
import sqlite3
import threading
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from sqlalchemy import func, select, update
from textual.pilot import Pilot

from runlog.actions import review as reviewing
from runlog.store import engine as engines
from runlog.store import models as m
from runlog.store.engine import open_engine, reading, writing

from .conftest import Running, make_app, press, rest
from .nights import Wish, build

ODD = "[bold red]M 31[/] [@click=app.quit]x[/] \x1b[31m\x07\x00 \u202e 🌌 é %s {0} \ud800"


def seen(pilot: Pilot[Any]) -> str:
    """The screen as text, a line a row."""
    compositor = pilot.app.screen._compositor
    return "\n".join(strip.text for strip in compositor.render_strips())


async def comes(pilot: Pilot[Any], words: str) -> bool:
    """Whether words are on the screen, as soon as it has been laid out."""
    for _ in range(100):
        if words in seen(pilot):
            return True
        await pilot.pause(0.02)
    return False


async def test_header_text_is_only_text(running: Running, database: Path) -> None:
    """Markup, escape codes and emoji in names are shown, never obeyed."""
    shown = ODD.encode("utf-8", "surrogatepass").decode("utf-8", "replace")
    engine = open_engine(str(database))
    with writing(engine) as connection:
        odd = {"target": shown, "filter": shown, "note": shown,
               "faults": [{"name": shown, "grade": "doubtful", "evidence": shown}]}  # fmt: skip
        connection.execute(update(m.frame).values(**odd))
        connection.execute(update(m.rig).values(name=shown))
        connection.execute(update(m.run_sum).where(m.run_sum.c.filter == "Ha").values(target=shown))
    async with running() as pilot:
        for keys in (("2",), ("enter",), ("escape", "3"), ("4",), ("1",), ("t",), ("escape", "c")):
            await press(pilot, *keys)
            words = seen(pilot)
            assert "[bold red]" in words, keys
            assert not any(ord(c) < 32 and c != "\n" for c in words), keys
            assert "\u202e" not in words, keys
            assert pilot.app.is_running


SCREENS = (("1",), ("2",), ("enter",), ("o", "b"), ("e",), ("escape", "3"), ("4",), ("1", "t"),
           ("escape", "c"), ("escape", "question_mark"))  # fmt: skip


async def test_any_size_of_terminal(running: Running) -> None:
    """Every screen can be drawn at 20 x 5, at 1 x 1 and large, and used at 20 x 5."""
    async with running(size=(20, 5)) as pilot:
        for keys in SCREENS:
            await press(pilot, *keys)
            for size in ((1, 1), (250, 70), (20, 5)):
                await pilot.resize_terminal(*size)
                await pilot.pause()
        await press(pilot, "escape", "2", "down", "r", "3", "y", "right", "4", "down")
        assert pilot.app.is_running


async def test_database_lost_and_found(running: Running, database: Path) -> None:
    """The database goes away: it is said, keys do no harm; it returns: the words go."""
    async with running() as pilot:
        app: Any = pilot.app
        away = database.with_suffix(".away")
        database.rename(away)
        await app.session.poll()
        assert "The database is gone" in app.session.trouble
        await press(pilot, "2", "y", "3", "r", "4", "g", "escape", "1", "left", "u")
        assert await comes(pilot, "The database is gone")
        assert not database.exists()
        away.rename(database)
        await app.session.poll()
        assert app.session.trouble == ""
        await press(pilot, "4")
        for _ in range(100):  # the totals are loaded in a thread
            if "M 31" in seen(pilot):
                break
            await pilot.pause(0.05)
        assert await comes(pilot, "M 31")


async def test_database_damaged_under_the_interface(running: Running, database: Path) -> None:
    """Garbage in place of the database is said in words."""
    async with running() as pilot:
        app: Any = pilot.app
        app.session.engine.dispose()
        database.write_bytes(b"\x00garbage" * 4000)
        for side in ("-wal", "-shm"):
            database.with_name(database.name + side).unlink(missing_ok=True)
        await app.session.poll()
        assert "not a database" in app.session.trouble or "damaged" in app.session.trouble
        await press(pilot, "2", "y", "3", "4")
        assert app.is_running


UNTRUE = ("Nothing out of the ordinary", "No night is stored yet", "no dated light frame")


def nothing_untrue(pilot: Pilot[Any]) -> bool:
    """The screen does not say that all is well, or that nothing is there."""
    return not any(words in seen(pilot) for words in UNTRUE)


async def test_database_gone_before_the_first_paint(running: Running, database: Path) -> None:
    """It vanished while the program started: said, nothing made in its place, and waited for."""
    away = database.with_suffix(".away")
    app = make_app(database)
    database.rename(away)
    async with app.run_test(size=(80, 24)) as pilot:
        await rest(pilot)
        assert await comes(pilot, "The database is gone. Put it back")
        assert nothing_untrue(pilot)
        assert not database.exists()
        away.rename(database)
        await app.session.poll()
        await rest(pilot)
        assert await comes(pilot, "kept of")
        assert "gone" not in seen(pilot)


async def test_tables_of_another_version(running: Running, database: Path) -> None:
    """A runlog of another version changed the tables: what happened and what to do."""
    with writing(open_engine(str(database))) as connection:
        connection.exec_driver_sql("ALTER TABLE frame RENAME COLUMN fwhm_px TO fwhm_cells")
    async with running() as pilot:
        assert await comes(pilot, "The tables of the database are not those of this runlog")
        assert await comes(pilot, "start it again")
        assert nothing_untrue(pilot)
        for keys in (("2",), ("3", "y"), ("1", "left", "t")):
            await press(pilot, *keys)
            assert nothing_untrue(pilot)


async def test_database_held_by_another_program(
    running: Running, database: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Locked: said while it lasts, and so is that a decision was not stored; then all goes on."""
    monkeypatch.setattr(engines, "BUSY_TIMEOUT_MS", 200)
    async with running() as pilot:
        app: Any = pilot.app
        await press(pilot, "3")
        app.session.engine.dispose()
        holder = sqlite3.connect(database, isolation_level=None)
        holder.execute("PRAGMA locking_mode = EXCLUSIVE")
        holder.execute("BEGIN EXCLUSIVE")
        await press(pilot, "y")
        assert await comes(pilot, "The database is locked by another program")
        assert app.session.said.startswith("Not stored")
        await press(pilot, "1", "left")
        assert nothing_untrue(pilot)
        holder.execute("ROLLBACK")
        holder.close()
        await app.session.poll()
        app.session.say("")
        await rest(pilot)
        assert app.session.trouble == ""
        assert "locked" not in seen(pilot)
        assert app.session.open_count == 12


async def test_a_database_that_does_not_answer_holds_up_no_key(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A slow disk or network: the keys go on, and after a while it is said."""
    async with running() as pilot:
        app: Any = pilot.app
        answer = threading.Event()

        def change_token(_engine: Any) -> tuple[int, ...]:
            answer.wait(20)
            return (0,)

        monkeypatch.setattr(reviewing, "change_token", change_token)
        for _ in range(5):
            app._look_again()
        assert "The database does not answer" in app.session.trouble
        await pilot.press("T")
        await pilot.pause()
        assert app.theme == "runlog-light"
        assert not answer.is_set()
        answer.set()
        await rest(pilot)
        assert app.session.trouble == ""


async def test_another_database_put_in_its_place(running: Running, database: Path) -> None:
    """A copy is restored over the open one: marks go to the file that is there now."""
    copy = database.with_suffix(".copy")
    async with running() as pilot:
        app: Any = pilot.app
        shutil.copy(database, copy)
        copy.replace(database)
        for side in ("-wal", "-shm"):
            database.with_name(database.name + side).unlink(missing_ok=True)
        await press(pilot, "3", "y")
        await app.session.poll()
    with reading(open_engine(str(database))) as connection:
        assert connection.execute(select(func.count()).select_from(m.mark)).scalar() == 1


async def test_an_empty_database_says_what_to_do(tmp_path: Path) -> None:
    """Before the first scan every screen says how to begin."""
    path = tmp_path / "empty.sqlite"
    build(path, Wish(nights=0)).dispose()
    app = make_app(path)
    async with app.run_test(size=(80, 24)) as pilot:
        await rest(pilot)
        assert await comes(pilot, "runlog scan FOLDER")
        for keys in (("2", "y", "enter", "o", "asterisk", "r", "u"), ("3", "y", "e", "b", "space"),
                     ("4", "enter", "g"), ("1", "left", "c", "t", "enter")):  # fmt: skip
            await press(pilot, *keys)
        assert app.is_running


# --- pictures -------------------------------------------------------------------------------


@pytest.fixture
def with_file(tmp_path: Path) -> tuple[Path, Path]:
    """One night whose first frame has a file, and no previews but that of the others."""
    from sqlalchemy import delete

    folder = tmp_path / "frames"
    folder.mkdir()
    path = tmp_path / "one.sqlite"
    engine = build(path, Wish(nights=1, folder=str(folder)))
    with writing(engine) as connection:
        connection.execute(delete(m.preview).where(m.preview.c.frame_id == 1))
    engine.dispose()
    return path, folder / f"{0:08x}{0:024x}.fits"


def words_of(pilot: Pilot[Any]) -> str:
    """What stands where the picture would."""
    return pilot.app.screen.view.picture.trouble or ""  # type: ignore[attr-defined]


async def test_file_moved_away(running: Running, with_file: tuple[Path, Path]) -> None:
    """Without preview and file the screen says which file is gone; the others are there."""
    async with running(path=with_file[0]) as pilot:
        await press(pilot, "2", "enter")
        assert "is not there: moved, or its disk is unplugged" in words_of(pilot)
        assert await comes(pilot, "is not there")
        await press(pilot, "o", "e", "e", "b", "plus", "f", "space")
        assert words_of(pilot) == ""


async def test_unreadable_pixels(running: Running, with_file: tuple[Path, Path]) -> None:
    """A file cut short is said to be, in the reader's words."""
    path, file = with_file
    hdu = fits.PrimaryHDU(np.zeros((640, 960), np.uint16))
    hdu.writeto(file)
    os.truncate(file, 10_000)
    async with running(path=path) as pilot:
        await press(pilot, "2", "enter")
        assert "cut short" in words_of(pilot)
        await press(pilot, "f")
        assert "cut short" in pilot.app.session.said  # type: ignore[attr-defined]


async def test_a_frame_of_an_older_scan_gets_its_preview_from_the_file(
    running: Running, with_file: tuple[Path, Path]
) -> None:
    """The picture comes from the file once; then the file may go."""
    path, file = with_file
    image = np.random.default_rng(3).normal(900, 20, (640, 960)).astype(np.float32)
    fits.PrimaryHDU(image).writeto(file)
    async with running(path=path) as pilot:
        await press(pilot, "2", "enter", "f")
        view: Any = pilot.app.screen.view  # type: ignore[attr-defined]
        assert view.picture.image is not None
        assert view.full.image.shape == (640, 960)
        assert await comes(pilot, "full resolution")
    file.unlink()
    async with running(path=path) as pilot:
        await press(pilot, "2", "enter")
        assert words_of(pilot) == ""


async def test_a_frame_forgotten_elsewhere(running: Running, database: Path) -> None:
    """A frame that vanishes from the database while it is in the list is said to be gone."""
    from sqlalchemy import delete

    async with running() as pilot:
        await press(pilot, "2")
        engine = open_engine(str(database))
        with writing(engine) as connection:
            for table in (m.preview, m.star_list):
                connection.execute(delete(table).where(table.c.frame_id == 143))
            owned = m.header.c.frame_id == 143
            header = m.header.select().with_only_columns(m.header.c.id).where(owned)
            connection.execute(delete(m.file).where(m.file.c.header_id.in_(header)))
            connection.execute(delete(m.header).where(owned))
            connection.execute(delete(m.frame).where(m.frame.c.id == 143))
        await press(pilot, "enter")
        assert await comes(pilot, "is not stored any more")
        await press(pilot, "o", "b", "e", "f", "plus", "y")
        assert pilot.app.is_running


async def test_no_colour(running: Running, monkeypatch: pytest.MonkeyPatch, database: Path) -> None:
    """With NO_COLOR no cell has a colour, and grades and pictures are still told apart."""
    monkeypatch.setenv("NO_COLOR", "1")
    async with running(size=(160, 48)) as pilot:
        for keys in (("1",), ("2", "down", "space"), ("3",), ("4",)):
            await press(pilot, *keys)
            svg = pilot.app.export_screenshot()
            for color in ("#2bbd92", "#e69f00", "#f0743a", "#56b4e9"):
                assert color not in svg.lower()
        await press(pilot, "3")
        assert await comes(pilot, "░")
        await press(pilot, "T")
        assert "NO_COLOR" in pilot.app.session.said  # type: ignore[attr-defined]
