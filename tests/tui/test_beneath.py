"""A mark is about the frame in view when the key was pressed, whatever is listed anew meanwhile."""

import asyncio
from collections.abc import Callable
from pathlib import Path
from threading import Event
from typing import Any

import pytest
from sqlalchemy import select

from runlog.actions import queue, review
from runlog.store import models as m
from runlog.store.engine import open_engine, reading
from runlog.tui import doubtful_screen, frames_screen
from runlog.tui.frames_screen import FramesScreen
from runlog.tui.main_screen import MainScreen

from .conftest import Running, press, rest
from .test_key_queue import type_at_once
from .test_keys import app_of, screen
from .test_together import as_anna

pytestmark = pytest.mark.settled
PATIENCE_S = 10.0


class Held:
    """A query that has its answer, and gives it when it is let go."""

    def __init__(self, query: Callable[..., Any]) -> None:
        self.query, self.asked, self.let_go = query, Event(), Event()

    def __call__(self, *wanted: Any) -> Any:
        found = self.query(*wanted)
        self.asked.set()
        assert self.let_go.wait(PATIENCE_S)
        return found

    async def is_asked(self) -> None:
        """Wait until it has its answer."""
        assert await asyncio.to_thread(self.asked.wait, PATIENCE_S)


def _marked_by_mia(database: Path) -> list[tuple[int, str]]:
    with reading(open_engine(str(database))) as connection:
        query = select(m.mark.c.frame_id, m.mark.c.grade).where(m.mark.c.who == "mia")
        return [(row.frame_id, row.grade) for row in connection.execute(query)]


def _key_of(database: Path, frame_id: int) -> str:
    with reading(open_engine(str(database))) as connection:
        query = select(m.frame.c.content_key).where(m.frame.c.id == frame_id)
        return str(connection.execute(query).scalar_one())


async def _until(seen: Callable[[], object]) -> None:
    for _ in range(500):
        if seen():
            return
        await asyncio.sleep(0.02)
    raise AssertionError("it does not come")


async def test_the_cursor_stays_where_it_was_moved_while_the_list_is_read(
    running: Running, database: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A list asked for before the cursor was moved does not put it back on its old row."""
    async with running() as pilot:
        await press(pilot, "2", "end")
        table = screen(pilot).table
        first, last = table.ids[0], table.ids[-1]
        monkeypatch.setattr(frames_screen, "listed", held := Held(review.listed))
        as_anna(database, "mark", _key_of(database, last), "reject")
        await held.is_asked()
        await pilot.press("home")
        held.let_go.set()
        await rest(pilot)
        await press(pilot, "y")
        await _until(lambda: _marked_by_mia(database))
        assert _marked_by_mia(database) == [(first, "keep")]


@pytest.mark.parametrize(
    ("place", "asking", "query"),
    [("2", (frames_screen, "listed"), review.listed),
     ("3", (doubtful_screen, "doubtful_cases"), queue.doubtful_cases)],
)  # fmt: skip
async def test_a_key_on_its_way_means_the_frame_that_was_in_view(
    running: Running, database: Path, monkeypatch: pytest.MonkeyPatch, place: str,
    asking: tuple[Any, str], query: Callable[..., Any]
) -> None:  # fmt: skip
    """Where a frame leaves the list while a key waits, the key does not fall on the next one."""
    may_go_on = asyncio.Event()

    async def slowly(self: MainScreen) -> None:
        await may_go_on.wait()

    async with running() as pilot:
        await press(pilot, place)
        if place == "2":
            await press(pilot, "slash", *"doubtful", "enter", "home")
        meant = _in_view(pilot)
        monkeypatch.setattr(*asking, held := Held(query))
        as_anna(database, "mark", _key_of(database, meant), "reject")
        if place == "3":  # decided ones stay there; one that waits no longer leaves
            held.query = lambda *wanted: [c for c in query(*wanted) if meant not in c.ids]
        await held.is_asked()
        monkeypatch.setattr(type(screen(pilot)), "caught_up", slowly)
        type_at_once(pilot, "home" if place == "2" else "l", "r")
        await asyncio.sleep(0.1)
        held.let_go.set()
        await asyncio.sleep(0.3)  # time enough to list anew, where it did not wait
        may_go_on.set()
        await _until(lambda: _marked_by_mia(database))
        await rest(pilot)
        assert _marked_by_mia(database) == [(meant, "reject")]
        assert app_of(pilot).session.trouble == ""


def _in_view(pilot: Any) -> int:
    shown = screen(pilot)
    if isinstance(shown, FramesScreen):
        return int(shown.table.ids[shown.table.cursor])
    return int(shown.case.ids[0])
