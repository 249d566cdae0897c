"""Keys typed at once, faster than the screen follows, do what they do one after another."""

import time
from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import select
from textual.events import Key
from textual.pilot import Pilot

from runlog.actions.review import listed
from runlog.core.plain_words import understand
from runlog.core.selection import Order, Selection
from runlog.store import models as m
from runlog.store.engine import reading
from runlog.tui import frames_screen

from .conftest import Running, press, rest
from .test_keys import app_of, cursor, kind, marks, mode, notes, screen

CHARACTERS = {"enter": "\r", "slash": "/", "question_mark": "?", "space": " "}
Keys = tuple[str, ...]
See = Callable[[Pilot[Any]], object]


def type_at_once(pilot: Pilot[Any], *keys: str) -> None:
    """Hand keys over in one piece, as a terminal does."""
    for key in keys:
        alone = key if len(key) == 1 else None
        pilot.app.post_message(Key(key, CHARACTERS.get(key, alone)))


def night(pilot: Pilot[Any]) -> int:
    return app_of(pilot).session.run_at


def _asked(pilot: Pilot[Any]) -> str:
    return str(screen(pilot).query_one("CommandInput").value)


AT_ONCE: dict[str, tuple[Keys, Keys, See, object]] = {
    "a note stored, then a decision": (
        ("2",), ("n", "h", "i", "enter", "r"), lambda p: (notes(p), marks(p)[-1]), (1, "reject")),
    "a note stored, then two decisions": (
        ("3",), ("n", "h", "i", "enter", "y", "y"), lambda p: (notes(p), marks(p)),
        (1, ["doubtful", "keep", "keep"])),
    "a note dropped, then a decision": (
        ("2",), ("n", "h", "i", "escape", "r"), lambda p: (notes(p), marks(p)), (0, ["reject"])),
    "a goal, then another place": (("4",), ("g", "9", "enter", "down", "2"), mode, "frames"),
    "a night picked, then another place": (
        (), ("c", "left", "enter", "2"), lambda p: (night(p), mode(p)), (1, "frames")),
    "no night picked, then the night before": (
        (), ("c", "escape", "left"), lambda p: (night(p), kind(p)), (1, "NightScreen")),
    "help closed, then the night before": (
        (), ("question_mark", "escape", "left"), night, 1),
    "words found, then down": (("2",), ("slash", *"keep", "enter", "down", "down"), cursor, 2),
    "words left, then down": (("2",), ("slash", *"keep", "escape", "down"), cursor, 1),
    "a picture and back, then down": (("2",), ("enter", "escape", "down"), cursor, 1),
    "time line left, then the night before": (
        (), ("t", "right", "right", "t", "left"), lambda p: (night(p), kind(p)),
        (1, "NightScreen")),
    "palette left, then another place": ((), ("ctrl+p", "escape", "2"), mode, "frames"),
    "a command by name": ((), ("ctrl+p", *"calendar"), _asked, "calendar"),
}  # fmt: skip


@pytest.mark.parametrize("name", AT_ONCE)
async def test_no_key_is_lost(running: Running, name: str) -> None:
    """What was typed while a dialogue closed or the focus moved reaches what it was meant for."""
    there, keys, see, becomes = AT_ONCE[name]
    async with running() as pilot:
        await press(pilot, *there)
        type_at_once(pilot, *keys)
        for _ in range(100):
            await rest(pilot)
            if see(pilot) == becomes:
                break
            await pilot.pause(0.02)
        assert see(pilot) == becomes


async def test_a_decision_waits_for_the_rows_it_is_about(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However long the list takes, a letter typed after the words decides on a frame they found."""

    def slowly(*wanted: Any) -> Any:
        time.sleep(0.4)
        return listed(*wanted)

    async with running() as pilot:
        await press(pilot, "2")
        engine, run = app_of(pilot).session.engine, app_of(pilot).session.here
        found = listed(engine, Selection(run_id=run.id, terms=understand("trailed").terms), Order())
        monkeypatch.setattr(frames_screen, "listed", slowly)
        type_at_once(pilot, "slash", *"trailed", "enter", "y")
        for _ in range(200):
            await rest(pilot)
            if marks(pilot):
                break
            await pilot.pause(0.02)
        with reading(engine) as connection:
            decided = connection.execute(
                select(m.frame.c.id).where(m.frame.c.graded_by == "person")
            )
            assert decided.scalars().all() == [found[0]]
