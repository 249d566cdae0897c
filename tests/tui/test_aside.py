"""Reading in a process of its own: the same answers, no key that waits, nobody left behind."""

import asyncio
import os
import signal
import time
from pathlib import Path
from typing import Any

import pytest

from runlog.actions.review import run_lines
from runlog.errors import RunlogError, UsageError
from runlog.store.engine import open_engine
from runlog.tui import session as sessions
from runlog.tui.aside import Aside

from .conftest import Running, press
from .nights import with_sweep


def process(_engine: Any) -> int:
    """Tell who is at work; asked for by name, in the other process."""
    return os.getpid()


def refused(_engine: Any) -> None:
    """Fail as a command would."""
    raise UsageError("It does not fit", "here", "Try another")


def broken(_engine: Any) -> None:
    """Fail as nobody thought of."""
    raise ZeroDivisionError("by nothing")


def slow(_engine: Any, told: str) -> None:
    """Say who is at work, and work for long."""
    Path(told).write_text(str(os.getpid()))
    time.sleep(60)


def dying(_engine: Any) -> None:
    """End as for want of memory."""
    os.kill(os.getpid(), signal.SIGKILL)


def runs(pid: int) -> bool:
    """Tell whether a process is there."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


async def test_answers_errors_and_ends(database: Path, tmp_path: Path) -> None:
    """What comes back is what a thread gives; one process is kept, one that is given up ends."""
    aside, engine = Aside(str(database)), open_engine(str(database))
    assert await aside.run(run_lines) == run_lines(engine)
    first = await aside.run(process)
    assert first != os.getpid()
    with pytest.raises(UsageError, match="It does not fit") as told:
        await aside.run(refused)
    assert told.value.cure == "Try another"
    with pytest.raises(RunlogError, match="ZeroDivisionError: by nothing"):
        await aside.run(broken)
    assert await aside.run(process) == first
    with pytest.raises(RunlogError, match="The process that was reading ended"):
        await aside.run(dying)
    second = await aside.run(process)
    assert second != first
    task = asyncio.ensure_future(aside.run(slow, str(tmp_path / "who")))
    while not (tmp_path / "who").exists() or not (tmp_path / "who").read_text():
        await asyncio.sleep(0.01)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert not runs(int((tmp_path / "who").read_text()))
    third = await aside.run(process)
    aside.close()
    assert not runs(third)
    engine.dispose()


async def test_a_large_archive_is_read_by_season_in_another_process(
    running: Running, database: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of many frames the rig's place begins with one season; A asks for all nights."""
    engine = open_engine(str(database))
    for night in range(2):
        with_sweep(engine, night, 11_400.0)
    engine.dispose()
    monkeypatch.setattr(sessions, "MANY_FRAMES", 100)
    async with running(size=(120, 40)) as pilot:
        asked = []
        run = pilot.app.session.aside.run  # type: ignore[attr-defined]

        async def told(work: Any, *args: Any) -> Any:
            asked.append(work.__name__)
            return await run(work, *args)

        monkeypatch.setattr(pilot.app.session.aside, "run", told)  # type: ignore[attr-defined]
        await press(pilot, "6")
        screen: Any = pilot.app.screen
        assert asked == ["sweeps"]
        assert "of the season 2026-27" in str(screen.query_one("#parts").content)
        assert screen.entries[0].cells[0] == "this season"
        season = [entry.cells for entry in screen.entries[1:]]
        await press(pilot, "A")
        assert "of all nights" in str(screen.query_one("#parts").content)
        assert screen.entries[0].cells[0] == "all sweeps"
        assert [entry.cells for entry in screen.entries[1:]] == season  # there is no other season
        assert asked == ["sweeps", "sweeps"]
        await press(pilot, "A")
        assert asked == ["sweeps", "sweeps"]  # it is known by now
