"""The running night in the interface: warnings that hold on top, a watch of its own."""

import asyncio
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from psutil import Process
from textual.widgets import Static

from runlog.actions.open import open_store
from runlog.actions.scan import scan
from runlog.config import Settings
from runlog.store import watch as store
from runlog.store.engine import open_engine, writing
from runlog.store.watch import Notice
from runlog.tui.live import LiveWatch
from samples.maker.quick import make_run

from .conftest import Running, rest

PATIENCE_S = 60.0


def told(database: Path | str, *entries: Notice) -> None:
    """Have a watch tell something."""
    engine = open_engine(str(database))
    with writing(engine) as connection:
        store.put_told(connection, entries)
    engine.dispose()


def warned(kind: str, cause: str, words: str, run_id: int | None = 3, hours: float = 0.0) -> Notice:
    """Make a warning, told so many hours ago."""
    return Notice(run_id, datetime.now(UTC) - timedelta(hours=hours), kind, cause, words)


@pytest.mark.both_databases
async def test_warnings_that_hold_stand_on_top(running: Running, database: Path | str) -> None:
    """They come while one looks, go when it is clear again; old ones and other nights' do not."""
    told(
        database,
        warned("alarm", "cloud", "cloud of last year", hours=400),
        warned("alarm", "trailed", "of another night", run_id=1),
    )
    async with running() as pilot:
        shown = pilot.app.screen.query_one("#warnings", Static)
        assert not shown.display
        told(
            database,
            warned("alarm", "cloud", "cloud: 3 frames in a row\x1b[31m"),
            warned("alarm", "disk", "disk of /frames: 1 GB left", run_id=None),
        )
        await pilot.app.session.poll()
        await rest(pilot)
        words = str(shown.render())
        assert shown.display and "cloud: 3 frames in a row" in words and "1 GB left" in words
        assert "\x1b" not in words and "another night" not in words and "last year" not in words
        told(
            database,
            warned("cleared", "cloud", "clear again"),
            warned("cleared", "disk", "room again", run_id=None),
        )
        await pilot.app.session.poll()
        await rest(pilot)
        assert not shown.display


async def _until(done: Callable[[], bool]) -> None:
    end = asyncio.get_running_loop().time() + PATIENCE_S
    while not done():
        assert asyncio.get_running_loop().time() < end
        await asyncio.sleep(0.1)


async def test_it_watches_beside_the_interface(tmp_path: Path, empty: Path | str) -> None:
    """A frame that comes is graded and told; closing its stdin ends it, and nothing is left.

    Its arguments, which every user of a machine may read, do not name the database.
    """
    begun = datetime.now(UTC) - timedelta(seconds=5 * 317)
    make_run(tmp_path / "drawn", 4, size=(200, 260), start_utc=begun)
    first, *rest_of = sorted((tmp_path / "drawn").iterdir())
    (tmp_path / "frames").mkdir()
    shutil.copy(first, tmp_path / "frames")
    engine = open_store(str(empty), Settings())
    scan(engine, Settings(), [bytes(tmp_path / "frames")], workers=1)
    engine.dispose()
    said: list[str] = []
    watch = LiveWatch(str(empty), None, said.append)
    running = asyncio.create_task(watch.run())
    await _until(lambda: bool(said))
    assert watch._process is not None
    assert not any(str(empty) in word for word in Process(watch._process.pid).cmdline())
    for path in rest_of:
        shutil.copy(path, tmp_path / "frames")
    await _until(lambda: any("4 new frames" in words for words in said))
    watch.stop()
    assert await asyncio.wait_for(running, PATIENCE_S) == ""
    assert not watch.running and said[-1] == ""


async def test_a_watch_that_cannot_begin_says_why(empty: Path | str) -> None:
    """Nothing was ever scanned: there is nothing to watch."""
    open_store(str(empty), Settings()).dispose()
    watch = LiveWatch(str(empty), None, lambda _: None)
    assert "No folder was scanned before" in await asyncio.wait_for(watch.run(), PATIENCE_S)


@pytest.mark.parametrize("size", [(60, 12), (80, 24), (140, 40)])
async def test_many_warnings_leave_room_for_the_night(
    running: Running, database: Path | str, size: tuple[int, int]
) -> None:
    """Four at most are shown, the rest are counted."""
    told(database, *(warned("alarm", f"cause {n}", f"trouble {n}") for n in range(9)))
    async with running(size) as pilot:
        words = str(pilot.app.screen.query_one("#warnings", Static).render())
        assert "5 earlier warnings" in words and "trouble 8" in words and "trouble 4" not in words
