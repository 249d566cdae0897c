"""What a scan tells of restated hours, held against reckoning every run before and after."""

import random
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest
from sqlalchemy import delete, insert, select, update

from runlog.actions import correct as correcting
from runlog.actions import targets
from runlog.actions.open import silent
from runlog.actions.restate import Restating, restatements
from runlog.actions.settle import settle_all
from runlog.config import Settings
from runlog.core.ledger.restated import Held, restated
from runlog.core.selection import Selection
from runlog.ingest.task import MEASURE_VERSION
from runlog.store import models as m
from runlog.store import run_says
from runlog.store.engine import open_engine, reading, writing
from runlog.store.files import set_missing
from runlog.store.migrate import ready
from runlog.store.run_hours import run_hours
from tests.measured import Night, outcomes, put
from tests.tools import say

NOW = datetime(2026, 12, 1, 12, tzinfo=UTC)


@pytest.fixture
def opened(database):
    """Open an empty database of each kind."""
    engine = ready(open_engine(str(database)))
    yield engine
    engine.dispose()


def every_run(engine):
    """Reckon the hours of every run, by the references of today."""
    with reading(engine) as connection:
        return run_hours(connection)


def by_all_runs(before, now):
    """Compare the hours of every run before and now, as it is meant."""
    held = {}
    for key, old in before.items():
        new = now.get(key)
        if new is not None and old.kept_s == new.kept_s:
            held.setdefault(key[1:], []).append(Held(old.worth, new.worth))
    found = (restated(*names, runs) for names, runs in sorted(held.items()))
    return [one for one in found if one is not None]


# --- what runs say, drawn -------------------------------------------------------------------

RIGS, RUNS = 2, 14
DEEP = (
    "kept_known_s kept_light_s_e2_adu2 kept_point_s2_adu2 kept_extended_s2_arcsec2_adu2"
).split()


def draw_runs(connection, rng):
    """Store rigs and runs that say nothing yet."""
    rigs = [{"id": i, "key": f"{i}", "name": f"{i}"} for i in range(1, RIGS + 1)]
    connection.execute(insert(m.rig), rigs)
    evenings = [date(2026, 1, 1) + timedelta(days=n) for n in range(RUNS)]
    runs = [
        {"id": 1 + n, "night": f"{evenings[n // RIGS]}", "rig_id": 1 + n % RIGS,
         "depth_form": rng.choice(("point", "extended"))}
        for n in range(RUNS)
    ]  # fmt: skip
    connection.execute(insert(m.run), runs)


def say_anew(connection, rng, run_id):
    """Let a run say something else: of its depth, of its hours, of its night, or nothing more."""
    if rng.random() < 0.3:
        t = m.run_light.c
        deeper = {t[name]: t[name] * rng.choice((1.0, 1.02, 1.2)) for name in DEEP[2:]}
        connection.execute(update(m.run_light).where(t.run_id == run_id).values(deeper))
        return
    for table in (m.run_sum, m.run_depth, m.run_light):
        if rng.random() < 0.7:
            connection.execute(delete(table).where(table.c.run_id == run_id))
    if rng.random() < 0.1:
        form = rng.choice(("point", "extended"))
        connection.execute(update(m.run).where(m.run.c.id == run_id).values(depth_form=form))
    for table, rows in (
        (m.run_sum, _sums(rng)),
        (m.run_depth, _depths(rng)),
        (m.run_light, _lights(rng)),
    ):
        if connection.execute(select(table.c.run_id).where(table.c.run_id == run_id)).first():
            continue
        if rows:
            connection.execute(insert(table), [row | {"run_id": run_id} for row in rows])


def _sums(rng):
    lengths = dict.fromkeys(("logged_s", "doubtful_s", "rejected_s", "ungraded_s"), 0.0)
    lacks = dict.fromkeys(("lack_gain", "lack_zero", "lack_stars", "lack_whole"), 0)
    return [
        {"target": target, "filter": name, "frames": 9, "kept_s": rng.choice((0.0, 600.0, 600.0))}
        | lengths
        | lacks
        for target, name in _pairs(rng)
    ]


def _pairs(rng):
    every = [(target, name) for target in ("M 31", "M 33", "M 42") for name in "LR"]
    return rng.sample(every, rng.randrange(4))


def _depths(rng):
    """Most nights are alike, so that references move by less than is told as well."""
    return [
        {"filter": name, "frames": 9, "moonless": rng.choice((True, True, False, None)),
         "point_s_e2": _near(rng), "extended_s_arcsec2_e2": _near(rng)}
        for name in rng.sample("LR", rng.randrange(3))
    ]  # fmt: skip


def _lights(rng):
    """Now and then the light of one base is counted in two targets, or nothing is kept."""
    return [
        {"target": target, "filter": name, "base": rng.choice((f"{target} {name}", "a", name)),
         "light2_e2_adu2": rng.choice((None, _near(rng))), "kept_frames": kept}
        | {column: kept * rng.choice((250.0, 300.0)) for column in DEEP}
        for target, name in _pairs(rng)
        for kept in [rng.choice((0, 2, 2))]
    ]  # fmt: skip


def _near(rng):
    return rng.choice((1.0, 1.0, 1.01, 0.99, 1.02, 1.04, 1.5, rng.uniform(0.9, 1.1)))


@pytest.mark.both_databases
def test_what_runs_say_tells_as_much_as_all_runs(opened):
    """Whatever some runs say otherwise: the same words as by reckoning every run twice."""
    rng = random.Random(5)
    told = silent = 0
    with writing(opened) as connection:
        draw_runs(connection, rng)
    for _ in range(50):
        runs = rng.sample(range(1, RUNS + 1), rng.choice((1, 1, 1, 2, 3, RUNS)))
        before = every_run(opened)
        with writing(opened) as connection:
            said = run_says.of_runs(connection, runs)
            for run_id in runs:
                say_anew(connection, rng, run_id)
        with reading(opened) as connection:
            now = run_says.of_runs(connection, runs)
            found = restatements(connection, said, now)
        assert found == by_all_runs(before, every_run(opened))
        told += bool(found)
        silent += not found
    assert told > 5
    assert silent > 5


@pytest.fixture
def engine():
    """Give an empty database in memory, emptied again for every history."""
    made = open_engine("sqlite://")
    m.metadata.create_all(made)
    yield made
    made.dispose()


# --- histories ------------------------------------------------------------------------------

EVENINGS = ("2026-09-09", "2026-09-12", "2026-09-14", "2026-09-24", "2026-10-05", "2026-10-09",
            "2026-10-12")  # fmt: skip
KINDS = ({}, {}, {"times": 1.1}, {"light": 0.9}, {"light": 1.2}, {"noise_adu": 15.0},
         {"times": 1.7}, {"cards": (("EGAIN", None),)}, {"frames": 5})  # fmt: skip


def draw_night(rng):
    """Draw a night of one of two targets, filters and rigs; some were measured long ago."""
    values = {"frames": rng.choice((6, 7)), "seed": rng.randrange(3)} | rng.choice(KINDS)
    cards = dict(values.pop("cards", ())) | {
        "INSTRUME": rng.choice(("MonoCam 9", "MonoCam 9", "MonoCam 8"))
    }
    return Night(
        rng.choice(EVENINGS),
        target=rng.choice(("M 33", "M 33", "M 31")), filter=rng.choice("LLLR"),
        version=MEASURE_VERSION - rng.choice((0, 0, 1)), cards=tuple(cards.items()), **values,
    )  # fmt: skip


def frame_ids(engine):
    """List all frames that are stored."""
    with reading(engine) as connection:
        return sorted(connection.execute(select(m.frame.c.id)).scalars())


def mark_some(engine, rng):
    """Mark frames as a person does."""
    ids = rng.sample(frame_ids(engine), 3)
    with writing(engine) as connection:
        say(connection, ids, rng.choice(("keep", "reject")), "somebody", NOW)


def lose_some(engine, rng):
    """Delete files."""
    ids = rng.sample(frame_ids(engine), 3)
    with writing(engine) as connection:
        set_missing(connection, ids, missing=True)


def correct_some(engine, rng):
    """Correct what headers say."""
    night = rng.choice(EVENINGS)
    with reading(engine) as connection:
        query = select(m.frame.c.id).join(m.run).where(m.run.c.night == night)
        ids = tuple(connection.execute(query.limit(6)).scalars())
    if ids:
        field, value = rng.choice((("filter", "R"), ("target", "M 33"), ("exposure", "290")))
        chosen = Selection(frame_ids=ids)
        correcting.correct(engine, Settings(), field, value, chosen, "somebody", replace=True)


def merge_or_undo(engine, rng):
    """Make two targets one, or take that back."""
    with reading(engine) as connection:
        names = set(connection.execute(select(m.run_sum.c.target).distinct()).scalars())
    if {"M 31", "M 33"} <= names:
        targets.merge(engine, Settings(), "M 31", "M 33", "somebody")
    elif targets.changes_book(engine):
        targets.undo(engine, Settings(), None, "somebody")


ACTS = (mark_some, lose_some, correct_some, merge_or_undo)


def write_over(found, rng):
    """Let some files hold other pixels than they did."""
    for place in rng.sample(range(len(found)), rng.choice((0, 0, 3))):
        key = f"{rng.getrandbits(128):032x}"
        found[place] = replace(found[place], frame=replace(found[place].frame, content_key=key))
    return found


def settles_in(monkeypatch, news):
    """Let what settles corrections and names be heard as a scan hears what it settles."""

    def settle(engine, settings, report=silent, moves=None):
        settle_all(engine, settings, report, news)

    for module in (correcting, targets):
        monkeypatch.setattr(module, "settle_behind", settle)


def test_random_histories_tell_the_same(engine, monkeypatch):
    """Nights that come, are written over, measured again and lost, marks, corrections, merges."""
    told = 0
    for seed in range(2):
        rng = random.Random(seed)
        with writing(engine) as connection:
            for table in reversed(m.metadata.sorted_tables):
                connection.execute(delete(table))
        for _ in range(8):
            act = rng.choice(ACTS) if frame_ids(engine) else None
            if act is mark_some:
                act(engine, rng)
                settle_all(engine, Settings())  # as a scan does when it opens the database
            before, news = every_run(engine), Restating()
            settles_in(monkeypatch, news)
            if act not in (None, mark_some):
                act(engine, rng)
            for _ in range(rng.choice((1, 1, 2))):
                put(engine, write_over(outcomes(draw_night(rng)), rng))
            settle_all(engine, Settings(), moves=news)
            with reading(engine) as connection:
                found = news.restated(connection)
            assert found == by_all_runs(before, every_run(engine))
            told += bool(found)
    assert told > 3


# --- two programs at one database -----------------------------------------------------------

POOR = Night("2026-09-09", times=1.3)
BETTER = Night("2026-09-12")
NOISY = replace(POOR, noise_adu=30.0)


class Meeting(Restating):
    """Lets another program at the database once, after a look at a night that is to be settled."""

    def __init__(self, night, other):
        super().__init__()
        self.night, self.other, self.met = night, other, False

    def look(self, connection, run):
        """Look, and let the other one go on meanwhile."""
        super().look(connection, run)
        if run.night == self.night and not self.met:
            self.met = True
            self.other()


@pytest.fixture
def elsewhere(database, opened):
    """Open the same database as another program does, after it was made."""
    engine = open_engine(str(database))
    yield engine
    engine.dispose()


def told_by(engine, news):
    """List what a scan that heard this tells at its end."""
    with reading(engine) as connection:
        return news.restated(connection)


def settled(engine, news):
    """Settle as a scan does, which hears of it."""
    settle_all(engine, Settings(), moves=news)
    return news


def store_the_better(engine):
    """Store a better night, by which earlier hours are worth less."""
    put(engine, outcomes(BETTER))


def measure_again(engine):
    """Store both nights as ever, then the poor one anew, in which less light is told from noise."""
    store_the_better(engine)
    settled(engine, Restating())
    put(engine, outcomes(NOISY), again=True)


@pytest.mark.both_databases
@pytest.mark.parametrize(
    ("comes", "met_at"),
    [
        (store_the_better, None),
        (store_the_better, BETTER.evening),
        (measure_again, None),
        (measure_again, POOR.evening),
    ],
)
def test_what_another_program_settles_is_told_by_that_one(opened, elsewhere, comes, met_at):
    """Whoever settles first tells what became of hours, alone: before a scan settles, or while it
    is at that very night."""
    put(opened, outcomes(POOR))
    settled(opened, Restating())
    comes(opened)
    theirs = Restating()
    ours = Meeting(met_at, lambda: settled(elsewhere, theirs))
    if met_at is None:
        settled(elsewhere, theirs)
    settled(opened, ours)
    assert ours.met == (met_at is not None)
    assert told_by(opened, ours) == []
    (one,) = told_by(elsewhere, theirs)
    assert (one.target, one.filter) == ("M 33", "L")


@pytest.mark.both_databases
def test_what_another_program_settles_anew_is_not_told_again(opened, elsewhere):
    """The poor night is less deep once it is measured again elsewhere: that is told there alone."""
    put(opened, outcomes(POOR))
    settled(opened, Restating())
    put(opened, outcomes(BETTER))
    ours = settled(opened, Restating())
    told = told_by(opened, ours)
    assert len(told) == 1
    put(elsewhere, outcomes(NOISY), again=True)
    (one,) = told_by(elsewhere, settled(elsewhere, Restating()))
    assert told_by(opened, ours) == told
    assert one != told[0]
