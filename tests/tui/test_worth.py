"""What keeping a frame does to the finished picture, beside the frame; never by older grades."""

import asyncio
import threading
from math import sqrt
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import case, select, update
from textual.pilot import Pilot

from runlog.actions import judge as judging
from runlog.core.columns import change
from runlog.store import models as m
from runlog.store.engine import open_engine, reading, writing
from runlog.tui.session import Session
from runlog.tui.weighs import WEIGHING

from .conftest import Running, press, rest

DIM, NOISY = 0.62, 19.0  # of a cloudy frame: its light, and its noise where clear ones have 14


@pytest.fixture
def lit(database: Path) -> Path:
    """Three nights whose frames are compared in light; those under cloud are dim and noisy."""
    engine = open_engine(str(database))
    f = m.frame.c
    cloudy = f.stars < 300
    values = {
        "matched_to": "0" * 32,
        "throughput": case((cloudy, DIM), else_=1.0),
        "noise_adu": case((cloudy, NOISY), else_=14.0),
    }
    with writing(engine) as connection:
        connection.execute(update(m.frame).values(**values))
    engine.dispose()
    return database


def by_hand(path: Path, ids: list[int]) -> str:
    """What frames do to S / sqrt(V), S the sum of light times time, V that of noise squared."""
    engine = open_engine(str(path))
    f = m.frame.c
    with reading(engine) as connection:
        query = select(f.id, f.target, f.filter, f.grade, f.exposure_s, f.throughput, f.noise_adu)
        rows = connection.execute(query).all()
    engine.dispose()
    first = next(r for r in rows if r.id == ids[0])
    alike = [r for r in rows if (r.target, r.filter) == (first.target, first.filter)]
    others = [r for r in alike if r.grade == "keep" and r.id not in ids]
    depth = [
        sum(r.exposure_s * r.throughput for r in own) / sqrt(sum(r.noise_adu**2 for r in own))
        for own in ([*others, *(r for r in alike if r.id in ids)], others)
    ]
    return change(depth[0] / depth[1] - 1)


def worth(pilot: Pilot[Any]) -> str:
    """What stands beside the frame."""
    return str(pilot.app.screen.query_one("#worth").content)


async def test_each_doubtful_frame_says_what_keeping_it_does(running: Running, lit: Path) -> None:
    """The line beside a frame is what its light and noise come to, whatever was decided before."""
    async with running() as pilot:
        await press(pilot, "3")
        screen: Any = pilot.app.screen
        for key in ("y", "r", "y", "space", "u"):
            assert worth(pilot).startswith(f"keep: depth {by_hand(lit, screen.case.ids)}, width ")
            await press(pilot, key)
        assert worth(pilot).startswith(f"keep: depth {by_hand(lit, screen.case.ids)}, width ")


async def test_the_list_and_the_picture_say_it_too(running: Running, lit: Path) -> None:
    """In the list before the reason, under a picture in a line; of kept frames nothing is said."""
    async with running(size=(120, 40)) as pilot:
        await press(pilot, "2", "home")
        why = pilot.app.screen.query_one("#why")
        assert "keep:" not in str(why.content)
        await press(pilot, "slash", *"cloud", "enter", "home")
        ids = [pilot.app.screen.frame_in_view()]
        assert str(why.content).startswith(f"keep: depth {by_hand(lit, ids)}, width ")
        assert "62% of the light" in str(why.content)
        await press(pilot, "enter")
        assert worth(pilot).startswith(f"keep: depth {by_hand(lit, ids)}, width ")
        await press(pilot, "y")  # where it is kept the line stands: it was a question
        assert worth(pilot).startswith(f"keep: depth {by_hand(lit, ids)}, width ")


async def test_it_is_silent_while_a_grade_is_on_its_way(
    running: Running, lit: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between a key and the stored grade no number stands that was reckoned before it."""
    go_on, stored = threading.Event(), judging.judge

    def slowly(*given: Any) -> Any:
        go_on.wait(10)
        return stored(*given)

    async with running() as pilot:
        await press(pilot, "3", "space", "backspace")  # both are weighed by now
        monkeypatch.setattr(judging, "judge", slowly)
        await pilot.press("y")
        await pilot.pause(0.4)
        assert worth(pilot) == ""
        go_on.set()
        await rest(pilot)
        ids = pilot.app.screen.case.ids  # type: ignore[attr-defined]
        assert worth(pilot).startswith(f"keep: depth {by_hand(lit, ids)}, width ")


async def test_why_it_is_unknown_is_said(running: Running) -> None:
    """Frames that were never compared in light have no number, and the line says so."""
    async with running() as pilot:
        await press(pilot, "3")
        assert worth(pilot) == "keep: unknown, because the width, the light or the noise of it " \
                               "is unknown"  # fmt: skip


async def test_keys_do_not_wait_for_it(
    running: Running, lit: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While a frame is weighed the line says so, and the next key acts."""
    go_on = threading.Event()
    ask = Session.ask_much

    async def slowly(self: Session, *given: Any) -> Any:
        while not go_on.is_set():
            await asyncio.sleep(0.01)
        return await ask(self, *given)

    monkeypatch.setattr(Session, "ask_much", slowly)
    async with running() as pilot:
        await pilot.press("3")
        await pilot.pause(0.5)
        assert worth(pilot) == WEIGHING
        screen: Any = pilot.app.screen
        at = screen.at
        await pilot.press("space")
        assert screen.at == at + 1
        go_on.set()
        await rest(pilot)
        assert worth(pilot).startswith("keep: depth")
