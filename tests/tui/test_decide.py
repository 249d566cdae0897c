"""Keys that decide: what they show, what they leave alone, and how they are taken back."""

import time
from typing import Any

import pytest
from sqlalchemy import select, update
from textual.pilot import Pilot
from textual.widgets import Input, Label

from runlog.actions.standing import standings
from runlog.config import Settings
from runlog.store import models as m
from runlog.store.engine import open_engine, reading
from runlog.tui import decisions

from .conftest import Running, press, rest
from .test_doubtful import left_words
from .test_keys import cursor, marks
from .test_totals import text_of

WHY = "one frame of this target and filter: nothing to compare it with"


def said(pilot: Pilot[Any]) -> str:
    """The line above the keys."""
    return str(pilot.app.session.said)  # type: ignore[attr-defined]


async def test_j_and_k_move_in_lists_and_mark_nothing(running: Running) -> None:
    """j goes down, k up, on frames and totals; no mark is made."""
    async with running() as pilot:
        await press(pilot, "2", "j", "j", "k")
        assert cursor(pilot) == 1
        await press(pilot, "4", "j", "j", "k")
        assert pilot.app.screen.at == 1  # type: ignore[attr-defined]
        assert marks(pilot) == []


@pytest.mark.both_databases
async def test_y_keeps_and_says_what_was_before(running: Running) -> None:
    """A mark on a list shows the grade before and after; the key line names the key."""
    async with running() as pilot:
        await press(pilot, "2", "slash", *"doubtful", "enter", "home", "y")
        assert marks(pilot) == ["keep"]
        assert "1 frame: doubtful → keep *" in said(pilot)
        await press(pilot, "asterisk", "r")
        assert "doubtful → reject *" in said(pilot)
        from runlog.tui.keyline import KeyLine

        line = pilot.app.screen.query_one(KeyLine).render().plain
        assert " y keep" in line and " n note" not in line


@pytest.mark.both_databases
async def test_what_is_still_being_stored_is_taken_back(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Guards a quick hand on a slow disk: u means the key before it, not the one before that."""
    judge = decisions.judging.judge

    def slow(*words: Any) -> Any:
        time.sleep(2.5)  # longer than the keyboard is held up
        return judge(*words)

    async with running() as pilot:
        await press(pilot, "2", "home", "y", "down")
        monkeypatch.setattr(decisions.judging, "judge", slow)
        await pilot.press("r", "u")
        await rest(pilot)
        assert "Taken back: 1 frame" in said(pilot)
        with reading(pilot.app.session.engine) as connection:  # type: ignore[attr-defined]
            query = select(m.mark.c.frame_id, m.mark.c.grade).order_by(m.mark.c.id)
            (first, _), (second, rejected), (back, grade) = connection.execute(query).all()
        assert first != second
        assert (back, rejected, grade) == (second, "reject", "auto")


async def test_after_the_last_doubtful_frame_a_key_changes_nothing(running: Running) -> None:
    """The end is said; y, r, d, a and n make no mark; u turns back; Space looks again."""
    async with running() as pilot:
        await press(pilot, "3", *"yryryryryryr")
        made = marks(pilot)
        assert len(made) == 12
        assert "all 12 decided" in left_words(pilot)
        assert not pilot.app.screen.query_one("#case").display
        await press(pilot, "y", "r", "d", "a", "n")
        assert marks(pilot) == made
        assert "nothing was changed" in said(pilot)
        await press(pilot, "u")
        assert "1 of 12 left" in left_words(pilot)
        await press(pilot, "r", "backspace", "y")
        assert marks(pilot)[-1] == "keep"  # gone back to the last one on purpose


async def test_a_night_decided_before_opens_on_its_end(running: Running) -> None:
    """Coming back to decided frames, no key decides before one of them is in view."""
    async with running() as pilot:
        await press(pilot, "3", *"yryryryryryr")
    async with running() as pilot:
        await press(pilot, "3")
        made = marks(pilot)
        await press(pilot, "r")
        assert marks(pilot) == made
        await press(pilot, "space", "r")
        assert len(marks(pilot)) == len(made) + 1


async def test_frames_without_a_grade_wait_in_the_queue(running: Running, database: Any) -> None:
    """A night of one frame can be decided, and the reason it has no grade stands there."""
    engine = open_engine(str(database))
    with engine.begin() as connection:
        f = m.frame.c
        one = connection.execute(select(f.id).where(f.run_id == 1).limit(1)).scalar_one()
        connection.execute(update(m.frame).where(f.run_id == 1, f.id != one).values(counted=False))
        values = {"auto_grade": "ungraded", "grade": "ungraded", "note": WHY, "faults": []}
        connection.execute(update(m.frame).where(f.id == one).values(**values))
    engine.dispose()
    async with running(size=(120, 40)) as pilot:
        await press(pilot, "left", "left")
        assert pilot.app.session.open_count == 1  # type: ignore[attr-defined]
        await press(pilot, "3")
        assert "1 of 1 left" in left_words(pilot)
        assert WHY in left_words(pilot)
        await press(pilot, "y")
        assert marks(pilot) == ["keep"]
        assert "all 1 decided" in left_words(pilot)


async def test_without_a_goal_no_bar_is_drawn(running: Running) -> None:
    """A full bar means a goal reached; a row without one has none, until a goal is set."""
    async with running(size=(120, 40)) as pilot:
        await press(pilot, "4")
        assert not set("█▒░") & set(text_of(pilot.app.screen, "rows"))
        await press(pilot, "g", "9", "enter")
        assert "█" in text_of(pilot.app.screen, "rows")


async def test_a_goal_is_taken_back_like_a_mark(running: Running, database: Any) -> None:
    """u undoes what came last, whatever it was; U makes it again."""

    def goals() -> list[float | None]:
        rows = standings(open_engine(str(database)), Settings())
        return [row.goal.value for row in rows if row.goal]

    async with running() as pilot:
        await press(pilot, "2", "r", "4", "g", "9", "enter")
        assert goals() == [9.0]
        await press(pilot, "u")
        assert goals() == [] and marks(pilot) == ["reject"]
        assert "no goal any more" in said(pilot)
        await press(pilot, "U")
        assert goals() == [9.0]
        await press(pilot, "u", "u")
        assert goals() == [] and marks(pilot) == ["reject", "auto"]


@pytest.mark.parametrize("typed", ["never", "99999 h"])
async def test_a_mistyped_goal_keeps_its_text(running: Running, typed: str) -> None:
    """The dialogue stays, with the words typed and the whole complaint, also at 80 columns."""
    async with running() as pilot:
        await press(pilot, "4", "g", *("space" if c == " " else c for c in typed), "enter")
        assert type(pilot.app.screen).__name__ == "NoteScreen"
        assert pilot.app.screen.query_one(Input).value == typed
        label = pilot.app.screen.query_one("#complaint", Label)
        complaint = str(label.content)
        assert "nothing was changed" in complaint
        assert ("Type 20 h" in complaint) or ("at most 10,000" in complaint)
        assert label.size.height * label.size.width >= len(complaint)
        await press(pilot, *["backspace"] * 20, "8", "enter")
        assert type(pilot.app.screen).__name__ == "TotalsScreen"
        with reading(pilot.app.session.engine) as connection:  # type: ignore[attr-defined]
            assert connection.execute(select(m.goal.c.value)).scalars().all() == [8.0]
