"""What a run shows to others: the whole rig is looked at only where that changed."""

import os
from datetime import UTC, datetime

import pytest
from sqlalchemy import event, select, update

from runlog.actions.open import open_store
from runlog.actions.scan import scan
from runlog.actions.settle import settle_all
from runlog.config import Settings
from runlog.store import models as m
from runlog.store.engine import reading, writing
from runlog.store.shown import look_anew, runs_that_changed
from samples.maker.quick import make_run
from tests.tools import mark_settled, written_out

RAISED = update(m.run).values(revision=m.run.c.revision + 1)
EVENINGS = [datetime(2026, 10, day, 21, tzinfo=UTC) for day in (9, 12)]


@pytest.fixture
def engine(tmp_path):
    """Two settled nights of one field."""
    for n, start in enumerate(EVENINGS):
        make_run(tmp_path / f"night{n}", frames=5, seed=11, size=(420, 560), start_utc=start,
                 fwhm_px=2.4 - 0.2 * n)  # fmt: skip
    opened = open_store(str(tmp_path / "db.sqlite"), Settings())
    scan(opened, Settings(), [os.fsencode(tmp_path)], workers=1)
    yield opened
    opened.dispose()


def statements_of(engine, work):
    """Give the statements that some work runs."""
    seen = []

    def note(_connection, _cursor, statement, *_rest):
        seen.append(statement)

    event.listen(engine, "before_cursor_execute", note)
    work()
    event.remove(engine, "before_cursor_execute", note)
    return seen


def changed(engine):
    """List the runs to settle that show something else than before."""
    with reading(engine) as connection:
        return runs_that_changed(connection)


def touch(engine, number):
    """Have a run settled again, and change nothing."""
    with writing(engine) as connection:
        connection.execute(RAISED.where(m.run.c.id == number))


def test_a_mark_changes_nothing_that_other_nights_rest_on(engine):
    """A mark settles its night without a look at the rig's stars, fields and lines."""
    with reading(engine) as connection:
        key = connection.execute(select(m.frame.c.content_key).limit(1)).scalar_one()
    run = statements_of(
        engine, lambda: mark_settled(engine, Settings(), [key], "reject", None, "somebody")
    )
    assert not [s for s in run if "star_list" in s or "streaks_seen IS NOT NULL" in s]
    with reading(engine) as connection:
        grades = connection.execute(select(m.frame.c.grade).where(m.frame.c.content_key == key))
        assert grades.scalar_one() == "reject"


@pytest.mark.parametrize(
    "values",
    [{"target": "M 31"}, {"gain": 7.0}, {"counted": False}, {"matched_to": None}, {"fwhm_px": 9.0},
     {"depth_base": "0" * 32}, {"stars": 7},
     {"streaks_seen": [[1.0, 2.0, 300.0, 40.0]]}, {"signs": {"blank": [[3, 4]]}}],
    ids=lambda values: next(iter(values)),
)  # fmt: skip
def test_what_others_look_at_is_seen_to_change(engine, values):
    """Whatever fields, rows or lines of other nights rest on makes a run one that changed."""
    touch(engine, 1)
    assert changed(engine) == []
    with writing(engine) as connection:
        first = select(m.frame.c.id).where(m.frame.c.run_id == 1).limit(1).scalar_subquery()
        connection.execute(update(m.frame).where(m.frame.c.id == first).values(values))
    assert changed(engine) == [1]


def test_settling_again_and_looking_anew_give_the_same(engine):
    """Answers that were kept are those that a look at the whole rig gives, to the last bit."""
    before = written_out(engine)
    with reading(engine) as connection:
        runs = list(connection.execute(select(m.run.c.id).order_by(m.run.c.id)).scalars())
    assert len(runs) == len(EVENINGS)
    for anew in ([], runs[:1], runs[1:], runs):
        for number in runs:
            touch(engine, number)
        with writing(engine) as connection:
            look_anew(connection, anew)
        assert changed(engine) == anew
        settle_all(engine, Settings())
        assert written_out(engine) == before


def test_a_frame_that_leaves_takes_the_reference_with_it(engine):
    """Frames laid on one that is of another target now find another, though their night is still.

    And nights that a crash left behind half way are looked at again.
    """
    with reading(engine) as connection:
        best = connection.execute(select(m.frame.c.matched_to).distinct()).scalar_one()
        f = m.frame.c
        home = connection.execute(select(f.run_id).where(f.content_key == best)).scalar_one()
    with writing(engine) as connection:
        connection.execute(
            update(m.frame).where(f.content_key == best).values(target="M 31", matched_to=None)
        )
        connection.execute(
            update(m.run).where(m.run.c.id == home).values(revision=m.run.c.revision + 1)
        )
    assert changed(engine) == [home]
    settle_all(engine, Settings())
    with reading(engine) as connection:
        rows = connection.execute(select(f.target, f.matched_to, f.best_of_name).distinct()).all()
    names = {row.target: (row.matched_to, row.best_of_name) for row in rows}
    assert len(rows) == len(names) == 2
    assert names["M 31"] == (best, best)
    assert all(best not in answer for name, answer in names.items() if name != "M 31")
