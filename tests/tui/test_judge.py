"""Decisions are appended, taken back and made again, and never lose another person's."""

import random
import threading
from pathlib import Path

import pytest
from sqlalchemy import Engine, func, select

from runlog.actions.judge import Step, annotate, judge, take_back
from runlog.store import models as m
from runlog.store.engine import open_engine, reading
from runlog.store.marks import history
from runlog.store.review import lines_by_id


@pytest.fixture
def engine(database: Path) -> Engine:
    """The three nights."""
    return open_engine(str(database))


def state(engine: Engine, *ids: int) -> list[tuple[str, str, str | None]]:
    """Grade, by whom, and note, as lists show them."""
    with reading(engine) as connection:
        lines = lines_by_id(connection, ids)
    return [
        (lines[i].judgement.grade, lines[i].judgement.graded_by, lines[i].judgement.note)
        for i in ids
    ]


def test_a_decision_shows_at_once_and_leaves_its_run_to_be_settled(engine: Engine) -> None:
    """Lists read the new grade; sums are marked out of date in the same transaction."""
    judge(engine, [18, 19], "reject", "mia")
    assert state(engine, 18, 19) == [("reject", "person", None)] * 2
    with reading(engine) as connection:
        row = connection.execute(select(m.run).where(m.run.c.id == 1)).one()
    assert row.revision == row.settled_revision + 1


def test_undo_and_redo_walk_back_and_forth(engine: Engine) -> None:
    """Undo restores grade, author and note; redo makes them again; nothing is deleted."""
    judge(engine, [18], "keep", "mia")
    annotate(engine, [18], "thin haze", "mia")
    step = judge(engine, [18], "reject", "mia")
    assert state(engine, 18) == [("reject", "person", "thin haze")]
    back = take_back(engine, step, "mia")
    assert state(engine, 18) == [("keep", "person", "thin haze")]
    take_back(engine, back, "mia")
    assert state(engine, 18) == [("reject", "person", "thin haze")]
    with reading(engine) as connection:
        assert len(history(connection, 18)) == 5


def test_undo_back_to_the_automatic_grade(engine: Engine) -> None:
    """What nobody had marked is automatic again."""
    before = state(engine, 18)
    take_back(engine, judge(engine, [18], "reject", "mia"), "mia")
    assert state(engine, 18) == before


def test_undo_leaves_what_another_person_decided_since(engine: Engine) -> None:
    """Anna's later mark on one of two frames stands; the other goes back."""
    step = judge(engine, [18, 19], "reject", "mia")
    judge(engine, [19], "keep", "anna")
    back = take_back(engine, step, "mia")
    assert state(engine, 18, 19) == [("doubtful", "auto", None), ("keep", "person", None)]
    assert back.passed_over == ("anna",)
    assert back.frames == 1


def test_two_people_at_once_lose_nothing(engine: Engine) -> None:
    """Forty decisions from four threads on the same frames are all in the history."""

    def sit(who: str) -> None:
        for _ in range(10):
            judge(engine, [18, 19, 20], random.choice(["keep", "reject"]), who)

    people = [threading.Thread(target=sit, args=(who,)) for who in ("mia", "anna", "jo", "kai")]
    for person in people:
        person.start()
    for person in people:
        person.join()
    with reading(engine) as connection:
        assert connection.execute(select(func.count()).select_from(m.mark)).scalar() == 120
        marks = history(connection, 18)
    assert [mark.undoes for mark in marks] == [None, *(mark.id for mark in marks[:-1])]
    assert state(engine, 18)[0][0] == marks[-1].grade


def test_a_note_makes_the_grade_shown_a_persons(engine: Engine) -> None:
    """A note belongs to a mark; an empty one is taken away with the grade kept."""
    annotate(engine, [18], "check the tree", "mia")
    assert state(engine, 18) == [("doubtful", "person", "check the tree")]
    annotate(engine, [18], None, "mia")
    assert state(engine, 18) == [("doubtful", "person", None)]


def test_many_frames_at_once(built_short: Path) -> None:
    """Three thousand frames are decided and taken back in one transaction each."""
    engine = open_engine(str(built_short))
    with reading(engine) as connection:
        ids = list(connection.execute(select(m.frame.c.id)).scalars())
    step = judge(engine, ids, "keep", "mia")
    assert isinstance(step, Step)
    assert step.frames == 3000
    assert {grade for grade, _, _ in state(engine, *ids)} == {"keep"}
    take_back(engine, step, "mia")
    assert sum(grade == "doubtful" for grade, _, _ in state(engine, *ids)) == 600
