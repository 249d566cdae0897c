"""The session without a terminal: what is open, asked and decided, and what others changed."""

import asyncio
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from runlog.actions.judge import judge
from runlog.config import Settings
from runlog.store.engine import open_engine, reading
from runlog.store.marks import history
from runlog.tui.session import SAY_S, Session


class Clock:
    """Time that passes when a test says so."""

    now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    """Noon."""
    return Clock()


def begun(database: Path, clock: Clock) -> Session:
    """A session on a database, opened."""
    session = Session(
        open_engine(str(database)),
        Settings(),
        who="mia",
        database=str(database),
        state_file=database.with_suffix(".state.json"),
        clock=clock,
    )
    session.open()
    return session


@pytest.fixture
def session(database: Path, clock: Clock) -> Iterator[Session]:
    """The three nights."""
    session = begun(database, clock)
    yield session
    session.engine.dispose()


def listed(session: Session) -> list[int]:
    """What the list would show now."""
    from runlog.actions import review

    asked = session.listing
    return list(review.listed(session.engine, asked.of_run(session.here), asked.order))


def marks_of(session: Session, frame_id: int) -> list[str | None]:
    """The grades a frame was given, in order."""
    with reading(session.engine) as connection:
        return [mark.grade for mark in history(connection, frame_id)]


def test_it_needs_no_terminal() -> None:
    """What a page or another front would share: no part of it imports Textual."""
    words = "import sys, runlog.tui.session; print('textual' in sys.modules)"
    ran = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True)
    assert ran.stdout == "False\n"


def test_it_opens_on_the_last_night(session: Session) -> None:
    """There are three nights; turning past either end is refused."""
    assert session.here is not None
    assert (session.here.night, session.open_count) == ("2026-10-16", 12)
    assert not session.show_run(3)
    assert session.show_run(0)
    assert not session.show_run(0)


def test_what_is_asked_narrows_the_list(session: Session) -> None:
    """Words, order and reach of the list are the session's; every night has three times as many."""
    night = listed(session)
    session.ask_for(words="doubtful")
    assert len(listed(session)) == session.open_count
    session.ask_for(words="wider than")
    assert "number" in session.listing.meant.waiting
    session.ask_for(words="", every_night=True)
    assert len(listed(session)) == 3 * len(night)


async def test_decisions_are_stored_and_taken_back(session: Session) -> None:
    """A mark, its undo and its redo: three marks in the history, and words for each."""
    frame_id = listed(session)[0]
    made = await session.decisions.grade([frame_id], "reject")
    back = await session.decisions.undo()
    again = await session.decisions.redo()
    nothing = await session.decisions.redo()
    assert made is not None and made.words == "1 frame: keep → reject * (u undoes)"
    assert back is not None and back.taken_back == (frame_id,)
    assert again is not None and again.words == "Made again: 1 frame"
    assert nothing is not None and not nothing.stored
    assert marks_of(session, frame_id)[0] == "reject"
    assert marks_of(session, frame_id)[-1] == "reject"


async def test_what_is_being_stored_is_pending(session: Session) -> None:
    """From the key until the database has it, the frame counts as decided."""
    frame_id = listed(session)[0]
    storing = asyncio.create_task(session.decisions.grade([frame_id], "keep"))
    await asyncio.sleep(0)
    assert session.decisions.pending == {frame_id}
    await storing
    assert session.decisions.pending == frozenset()


async def test_what_others_change_is_told(session: Session) -> None:
    """A mark from elsewhere raises the version and tells who draws; nothing new tells nobody."""
    told: list[int] = []
    await session.poll()
    session.on_change = lambda: told.append(session.version)
    await session.poll()
    assert told == []
    session.ask_for(words="doubtful")
    judge(open_engine(session.database), listed(session)[:1], "keep", "anna")
    await session.poll()
    assert told == [1]
    assert session.open_count == 11


async def test_trouble_stands_until_what_failed_is_right(session: Session, database: Path) -> None:
    """The database goes away and returns: said, then no longer said, and nothing made meanwhile."""
    away = database.with_suffix(".away")
    database.rename(away)
    assert await session.decisions.grade([1], "keep") is None
    assert session.said.startswith("Not stored")
    assert "The database is gone" in session.trouble
    assert not database.exists()
    away.rename(database)
    await session.poll()
    assert session.trouble == ""


def test_words_stand_for_a_while(session: Session, clock: Clock) -> None:
    """What was said is forgotten after a time, counted from the last words."""
    session.say("one")
    clock.now = SAY_S - 1
    session.say("two")
    clock.now = SAY_S + 1
    session.forget_old_words()
    assert session.said == "two"
    clock.now = 2 * SAY_S
    session.forget_old_words()
    assert session.said == ""


def test_it_comes_back_to_where_it_was(session: Session, database: Path, clock: Clock) -> None:
    """Night, words, order, frame and shade of the last sitting, though no list was opened."""
    session.show_run(1)
    session.ask_for(words="cloud")
    session.frame_id, session.shade = 7, "runlog-light"
    session.leave("frames")
    for _ in range(2):  # the second sitting shows no list, and forgets nothing by that
        next_one = begun(database, clock)
        assert next_one.here == session.here
        assert (next_one.listing, next_one.frame_id) == (session.listing, 7)
        assert (next_one.screen, next_one.shade) == ("frames", "runlog-light")
        next_one.leave("frames")
        next_one.engine.dispose()
