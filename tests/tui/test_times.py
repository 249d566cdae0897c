"""Times on the screens: by the site's clock, labelled, in UTC at a key; words find by them too."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import update
from textual.pilot import Pilot

from runlog.actions.review import page
from runlog.config import Settings
from runlog.core.sky.nights import Clock
from runlog.store import models as m
from runlog.store.engine import open_engine
from runlog.tui import night_screen
from runlog.tui.app import ReviewApp
from runlog.tui.frame_table import FrameTable
from runlog.tui.frames_screen import ListHeading
from runlog.tui.session import Session
from runlog.tui.timeline import Timeline

from .conftest import disposing, press, rest
from .nights import with_sweep
from .test_find import find
from .test_snapshots import told

VIENNA = ZoneInfo("Europe/Vienna")


@asynccontextmanager
async def in_vienna(database: Path, utc: bool = False) -> AsyncIterator[Pilot[None]]:
    """The interface of one whose config names a zone."""
    settings = replace(Settings(), clock=Clock(None, VIENNA, "config"))
    session = Session(open_engine(str(database)), settings, who="mia", database=str(database),
                      state_file=database.with_suffix(".state.json"), utc=utc)  # fmt: skip
    with disposing(ReviewApp(session)) as app:
        async with app.run_test(size=(120, 40)) as pilot:
            await rest(pilot)
            yield pilot


def rows(pilot: Pilot[Any]) -> list[str]:
    """The head of the list and its rows, as drawn."""
    screen = pilot.app.screen
    table = screen.query_one(FrameTable)
    head = screen.query_one(ListHeading).render_line(0).text
    return [head, *(table.render_line(y).text for y in range(table.size.height))]


async def test_lists_pictures_and_time_lines_agree(
    database: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first frame of the last night began at 19:00 UTC, 21:00 in Vienna, in summer time."""
    monkeypatch.setattr(night_screen, "report_of", told)
    async with in_vienna(database) as pilot:
        chart = "\n".join(row.text for row in pilot.app.screen.query_one(Timeline)._rows)
        assert "CEST" in chart and "UTC" not in chart
        assert "What happened (CEST)" in pilot.app.export_screenshot().replace("&#160;", " ")
        await press(pilot, "2", "home")
        head, first = rows(pilot)[:2]
        assert "CEST" in head and "21:00" in first
        await press(pilot, "enter")
        assert "21:00 CEST" in pilot.app.screen.view._rows[0].text  # type: ignore[attr-defined]
        assert "21:00 CEST" in str(pilot.app.screen.query_one("#under").content)  # type: ignore[attr-defined]


async def test_one_key_switches_to_utc_and_it_is_remembered(database: Path) -> None:
    """Z writes UTC everywhere, says so, and again the next time; --utc begins with it."""
    async with in_vienna(database) as pilot:
        await press(pilot, "2", "home", "Z")
        head, first = rows(pilot)[:2]
        assert "UTC" in head and "19:00" in first
        assert "UTC" in pilot.app.session.said  # type: ignore[attr-defined]
        await press(pilot, "q")
    async with in_vienna(database) as pilot:
        await press(pilot, "2", "home")
        assert "19:00" in rows(pilot)[1]
        await press(pilot, "Z")
        assert "21:00" in rows(pilot)[1]
        said = pilot.app.session.said  # type: ignore[attr-defined]
        assert said.startswith("Times are in CEST: ")  # of the night in view, whatever it is today
    async with in_vienna(database, utc=True) as pilot:
        await press(pilot, "2", "home")
        assert "19:00" in rows(pilot)[1]


async def test_times_in_words_are_those_on_the_screen(database: Path) -> None:
    """`from 23:00 to 23:30` finds what the list shows so; with utc it means UTC."""
    async with in_vienna(database) as pilot:
        for words, hour in (("from 23:00 to 23:29", 21), ("from 23:00 to 23:29 utc", 23)):
            await find(pilot, words)
            session: Any = pilot.app.session  # type: ignore[attr-defined]
            lines = page(session.engine, list(pilot.app.screen.table.ids)).values()  # type: ignore[attr-defined]
            starts = [line.header.taken_at_utc for line in lines]
            assert starts and all(s.hour == hour and s.minute < 30 for s in starts if s)


async def test_the_night_clocks_change(database: Path) -> None:
    """Two frames an hour apart that both say 02:30 are told apart on list and picture."""
    engine = open_engine(str(database))
    first = datetime(2026, 10, 25, 0, 30, tzinfo=UTC)
    with engine.begin() as connection:
        f = m.frame.c
        for frame_id, moment in ((143, first), (144, first + timedelta(hours=1))):
            connection.execute(update(m.frame).where(f.id == frame_id).values(taken_at_utc=moment))
        connection.execute(update(m.run).where(m.run.c.id == 3).values(night="2026-10-24"))
    engine.dispose()
    async with in_vienna(database) as pilot:
        await press(pilot, "2", "end")
        drawn = "\n".join(rows(pilot))
        assert "local" in drawn.split("\n")[0]
        assert "02:30 " in drawn and "02:30²" in drawn
        await press(pilot, "enter")
        assert "02:30 CET" in pilot.app.screen.view._rows[0].text  # type: ignore[attr-defined]
        await press(pilot, "backspace")
        assert "02:30 CEST" in pilot.app.screen.view._rows[0].text  # type: ignore[attr-defined]


async def test_the_plan_and_the_rig_are_by_the_sites_clock(database: Path) -> None:
    """No place writes UTC alone: the sweep of 18:00 UTC began at 20:00 in Vienna, in summer time;
    one key shows both places in UTC."""
    engine = open_engine(str(database))
    with_sweep(engine, 0, 11_400.0)
    engine.dispose()
    async with in_vienna(database) as pilot:
        await press(pilot, "6")
        words = str(pilot.app.screen.query_one("#rig_rows").content)  # type: ignore[attr-defined]
        assert "20:00 CEST" in words and "UTC" not in words
        await press(pilot, "Z")
        words = str(pilot.app.screen.query_one("#rig_rows").content)  # type: ignore[attr-defined]
        assert "18:00 UTC" in words and "CEST" not in words
