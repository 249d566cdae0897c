"""A run that only hears something else from other nights is graded, and no more."""

import random
import shutil

import pytest
from sqlalchemy import select

from runlog.actions.settle import settle_all
from runlog.config import Settings
from runlog.store import models as m
from runlog.store.engine import open_engine, reading, writing
from runlog.store.migrate import ready
from runlog.store.runs import (
    all_runs,
    dirty_runs,
    touch_all,
    touch_hearing,
    touch_runs,
)
from runlog.store.shown import look_anew
from tests.actions.test_history import BAD, GOOD, NOW, drawn
from tests.measured import Night, outcomes, put
from tests.tools import content, say

LATER = Night("2026-10-06", **BAD["poor seeing"][0])


@pytest.fixture
def database(tmp_path):
    """Name a new database."""
    return tmp_path / "night.sqlite"


@pytest.fixture
def engine(database):
    """Open it."""
    opened = ready(open_engine(str(database)))
    yield opened
    opened.dispose()


def settled_whole(database, tmp_path):
    """Give what is stored once every run of a copy was settled from the first step on."""
    copy = tmp_path / "whole.sqlite"
    shutil.copy(database, copy)
    opened = open_engine(str(copy))
    with writing(opened) as connection:
        touch_all(connection)
        look_anew(connection, [run.id for run in all_runs(connection)])
    settle_all(opened, Settings())
    opened.dispose()
    return content(copy)


def heard(engine):
    """List the runs whose last settling was for other nights alone."""
    r = m.run.c
    with reading(engine) as connection:
        asked = select(r.night).where(r.heard_revision == r.settled_revision).order_by(r.night)
        return list(connection.execute(asked).scalars())


def lights(engine, night):
    """List the ids of a night's frames."""
    query = select(m.frame.c.id).join(m.run).where(m.run.c.night == night).order_by(m.frame.c.id)
    with reading(engine) as connection:
        return list(connection.execute(query).scalars())


def reject(engine, frame_ids):
    """Mark frames, and grade what hangs on it."""
    with writing(engine) as connection:
        say(connection, frame_ids, "reject", "somebody", NOW)
    settle_all(engine, Settings())


def test_a_mark_has_later_nights_graded_and_no_more(engine, database, tmp_path):
    """What they hear decides their grades: of less than five frames they hear nothing."""
    for night in (*GOOD, LATER):
        put(engine, outcomes(night))
    settle_all(engine, Settings())
    with reading(engine) as connection:
        before = dict(
            connection.execute(select(m.run.c.night, m.run_sum.c.kept_s).join(m.run)).all()
        )
    assert before[LATER.evening] == 0.0  # wide, by the nights before
    for good in GOOD:
        reject(engine, lights(engine, good.evening)[4:])
    assert LATER.evening in heard(engine)
    with reading(engine) as connection:
        after = dict(
            connection.execute(select(m.run.c.night, m.run_sum.c.kept_s).join(m.run)).all()
        )
    assert after[LATER.evening] > 0.0
    engine.dispose()
    assert settled_whole(database, tmp_path) == content(database)


@pytest.mark.parametrize("seed", (0, 1, 4, 5))
def test_it_comes_to_what_settling_as_a_whole_gives(engine, database, tmp_path, seed):
    """Nights of all kinds come in any order, with marks between: to the last bit the same."""
    rng = random.Random(seed)
    nights = drawn(rng)
    rng.shuffle(nights)
    listened = set()
    for night in nights:
        put(engine, outcomes(night))
        settle_all(engine, Settings())
        reject(engine, rng.sample(lights(engine, night.evening), 2))
        listened.update(heard(engine))
    assert listened
    engine.dispose()
    assert settled_whole(database, tmp_path) == content(database)


def test_what_happens_to_a_run_besides_has_it_settled_whole(engine):
    """A run that hears, and whose frames are looked at for another reason, is not only graded."""
    put(engine, outcomes(GOOD[0]))
    settle_all(engine, Settings())

    def states():
        with reading(engine) as connection:
            return [(run.hears, run.revision) for run in dirty_runs(connection)]

    def then(touch):
        with writing(engine) as connection:
            touch(connection, [1])
        return states()

    assert states() == []
    ((hears, first),) = then(touch_hearing)
    assert hears
    assert then(touch_hearing) == [(True, first)]  # it is behind already
    assert then(touch_runs) == [(False, first + 1)]
    assert then(touch_hearing) == [(False, first + 1)]
    settle_all(engine, Settings())
    assert states() == []
    ((hears, _),) = then(touch_runs)
    assert not hears
