"""What a key changed is on the screen at once, and what is not yet known is not told as known."""

import asyncio
import threading
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select
from textual.pilot import Pilot

from runlog.actions.totals import total_rows
from runlog.store import models as m
from runlog.store.engine import open_engine, reading
from runlog.tui import night_screen
from runlog.tui import session as sessions
from runlog.tui.masthead import Masthead

from .conftest import Running, press, rest
from .test_snapshots import told


def content(pilot: Pilot[Any], name: str) -> str:
    """The words of a part of the screen."""
    return str(pilot.app.screen.query_one(f"#{name}").content)


def top_line(pilot: Pilot[Any]) -> str:
    """The words of the top line."""
    return pilot.app.screen.query_one(Masthead).render().plain


def by_hand(path: Path) -> dict[str, float]:
    """Hours by grade, added up from the frames alone, by SQL."""
    f = m.frame.c
    query = select(f.grade, func.sum(f.exposure_s)).where(f.kind == "light", f.counted)
    engine = open_engine(str(path))
    with reading(engine) as connection:
        found = {row[0]: row[1] for row in connection.execute(query.group_by(f.grade))}
    engine.dispose()
    return found


def by_sums(path: Path) -> dict[str, float]:
    """Hours by grade as the totals have them."""
    engine = open_engine(str(path))
    rows = total_rows(engine)
    engine.dispose()
    names = {"keep": "kept_s", "doubtful": "doubtful_s", "reject": "rejected_s"}
    return {grade: sum(row[name] for row in rows) for grade, name in names.items()}


async def test_a_decision_is_in_the_sums_before_anything_is_settled(
    running: Running, database: Path
) -> None:
    """Sums equal what the frames add up to right after each key; here nothing ever settles."""
    async with running() as pilot:
        await press(pilot, "4")
        before = content(pilot, "rows")
        await press(pilot, "3", "r")
        assert by_sums(database) == pytest.approx(by_hand(database))
        await press(pilot, "4")
        assert content(pilot, "rows") != before
        await press(pilot, "u")
        assert by_sums(database) == pytest.approx(by_hand(database))
        assert content(pilot, "rows") == before


async def test_the_night_counts_and_adds_alike_after_a_decision(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Hours kept and frames kept beside them are of one moment: 300 s a frame in this night."""
    monkeypatch.setattr(night_screen, "report_of", told)
    async with running() as pilot:
        first = pilot.app.session.here.kept_s
        await press(pilot, "3", "r", "1")
        assert pilot.app.session.here.kept_s == first
        await press(pilot, "2", "home", "r", "1")
        assert pilot.app.session.here.kept_s == first - 300
        kept = sum(f.judgement.grade == "keep" for f in pilot.app.screen.lines)
        assert f"{kept} keep" in content(pilot, "outcome")


async def test_what_is_still_reckoned_is_said(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """From a decision until it is settled, depth included, the line above the keys says so."""
    go_on = threading.Event()
    monkeypatch.setattr(sessions, "settle_now", lambda *_: go_on.wait(10) and 1)
    go_on.set()
    async with running() as pilot:
        go_on.clear()
        await pilot.press("3")
        await rest(pilot)
        await pilot.press("r")
        await pilot.pause(0.3)
        session: Any = pilot.app.session
        assert "adding up" in session.scan_words
        go_on.set()
        for _ in range(500):
            if not session.adding_up:
                break
            await asyncio.sleep(0.01)
        assert not session.scan_words


async def test_the_count_of_doubtful_frames_is_that_of_the_night_in_view(
    running: Running, database: Path
) -> None:
    """The number in the top line goes with the night, also when only that night differs."""
    engine = open_engine(str(database))
    with engine.begin() as connection:
        f = m.frame.c
        some = select(f.id).where(f.run_id == 2, f.auto_grade == "doubtful").limit(5)
        chosen = [row[0] for row in connection.execute(some)]
        connection.execute(m.frame.update().where(f.id.in_(chosen)).values(auto_grade="keep"))
    engine.dispose()
    async with running() as pilot:
        for key, count in (("left", 7), ("left", 12), ("right", 7), ("right", 12)):
            await press(pilot, key)
            assert f"doubtful {count} " in top_line(pilot)
            assert f"{count} frames wait" in content(pilot, "outcome")


async def test_a_count_that_is_not_known_yet_is_not_the_old_one(running: Running) -> None:
    """Between two nights the top line shows no number at all."""
    async with running() as pilot:
        session: Any = pilot.app.session
        session.show_run(0)
        assert "doubtful … " in top_line(pilot)


async def test_an_event_asked_for_too_early_is_chosen_when_it_is_told(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """e before the story has come never says that nothing happened; then it chooses the event."""
    go_on = threading.Event()

    def slowly(*given: Any) -> Any:
        go_on.wait(10)
        return told(*given)

    monkeypatch.setattr(night_screen, "report_of", slowly)
    go_on.set()
    async with running() as pilot:
        go_on.clear()
        await pilot.press("left")
        await pilot.pause(0.3)
        await pilot.press("e")
        await pilot.pause(0.2)
        assert "Still telling this night" in pilot.app.session.said
        assert pilot.app.screen.event is None
        go_on.set()
        await rest(pilot)
        assert pilot.app.screen.event == 0
