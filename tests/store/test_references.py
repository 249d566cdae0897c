"""References as the database finds them, held against the law as it is written down."""

import random

import pytest
from sqlalchemy import delete, func, insert, select

from runlog.core.ledger.depth_reference import NightValue, reference_of
from runlog.store import models as m
from runlog.store.depth import references
from runlog.store.engine import open_engine, reading, writing
from runlog.store.migrate import ready
from runlog.store.run_says import references_of_run

MOON = (True, False, None)


@pytest.fixture
def opened(database):
    """Open an empty database of each kind."""
    engine = ready(open_engine(str(database)))
    yield engine
    engine.dispose()


def nights_of(rng):
    """Draw what the nights of two rigs say, with ties, few nights and many, by filter."""
    moons = rng.choice([MOON, (False, None), (None,)])
    return [
        (rig, f"2026-{1 + n // 28:02d}-{1 + n % 28:02d}", name,
         rng.choice((1.5, 2.25, rng.random())), rng.choice(moons))
        for rig in (1, 2)
        for name in "LR"
        for n in range(rng.choice((0, 1, 2, 3, 4, 5, 6, 7, 8, 25)))
    ]  # fmt: skip


def put(connection, nights):
    """Store them as the runs of two rigs."""
    for table in (m.run_depth, m.run_light, m.run, m.rig):
        connection.execute(delete(table))
    connection.execute(insert(m.rig), [{"id": i, "key": f"{i}", "name": f"{i}"} for i in (1, 2)])
    runs = {at: number for number, at in enumerate(sorted({(n[1], n[0]) for n in nights}), 1)}
    for (night, rig), number in runs.items():
        connection.execute(insert(m.run).values(id=number, night=night, rig_id=rig))
    for rig, night, name, value, moonless in nights:
        of_run = {"run_id": runs[night, rig], "filter": name}
        sky = {"frames": 9, "moonless": moonless, "point_s_e2": value}
        sky |= {"extended_s_arcsec2_e2": -value}
        connection.execute(insert(m.run_depth).values(of_run | sky))
        sums = dict.fromkeys(("kept_known_s", "kept_light_s_e2_adu2", "kept_point_s2_adu2"), 0.0)
        sums |= {"kept_extended_s2_arcsec2_adu2": 0.0, "kept_frames": 0, "target": "M 33"}
        light = {"base": name, "light2_e2_adu2": value}
        connection.execute(insert(m.run_light).values(of_run | sums | light))


def by_law(nights, value_of):
    """Find the references by the law."""
    found = {}
    for rig, night, name, value, moonless in nights:
        found.setdefault((rig, name), []).append(value_of(value, night, moonless))
    return {key: reference_of(own) for key, own in found.items()}


@pytest.mark.both_databases
def test_the_database_finds_what_the_law_says(opened):
    """Ties, few nights and many, nights with the Moon, without, and of which nothing is known."""
    rng = random.Random(19)
    for _ in range(12):
        nights = nights_of(rng)
        with writing(opened) as connection:
            put(connection, nights)
        with reading(opened) as connection:
            found = references(connection)
        assert found.light == by_law(nights, lambda v, night, _: NightValue(v, night))
        assert found.point == by_law(nights, NightValue)
        assert found.extended == by_law(nights, lambda v, *when: NightValue(-v, *when))
        with reading(opened) as connection:
            asked = select(m.run.c.id, m.run.c.rig_id, m.run_light.c.filter)
            asked = asked.join(m.run_light, m.run.c.id == m.run_light.c.run_id)
            for run_id, rig_id, name in connection.execute(asked.order_by(func.random()).limit(9)):
                own = references_of_run(connection, run_id)
                key = rig_id, name
                assert own.divisors(*key, name) == found.divisors(*key, name) is not None
                assert {rig for rig, _ in (*own.light, *own.point, *own.extended)} == {rig_id}
