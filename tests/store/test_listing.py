"""What tells frames apart by the start of their key, and how cameras stood before: both databases.

The texts and numbers are made up here; what is expected follows from them by hand.
"""

import pytest
from sqlalchemy import Boolean, Integer, String, insert

from runlog.store import models as m
from runlog.store.angles import Angles, angles_before
from runlog.store.engine import open_engine, reading, writing
from runlog.store.listing import starts_of_keys
from runlog.store.migrate import ready

pytestmark = pytest.mark.both_databases
REST = "0" * 22
NIGHTS = ("2026-01-01", "2026-01-02", "2026-01-03")


@pytest.fixture
def engine(database):
    """Open a database that has its tables."""
    engine = ready(open_engine(str(database)))
    yield engine
    engine.dispose()


def _row(**values):
    """Fill what a frame must have with nothing in particular."""
    plain = {Integer: 0, String: "", Boolean: False}
    must = [c for c in m.frame.columns if not c.nullable and c.name != "id"]
    rest = {c.name: next((v for k, v in plain.items() if isinstance(c.type, k)), []) for c in must}
    return rest | {"run_id": 1} | values


def _store(engine, rows):
    with writing(engine) as connection:
        connection.execute(insert(m.rig).values(id=1, key="k", name="n"))
        runs = [{"id": i, "night": night, "rig_id": 1} for i, night in enumerate(NIGHTS, start=1)]
        connection.execute(insert(m.run), runs)
        connection.execute(insert(m.frame), rows)


def test_a_key_is_as_short_as_no_other_begins(engine):
    """Eight digits, and more only as far as another stored frame begins alike, asked for or not."""
    alone, one, two = f"0000000000{REST}", f"12345678ab{REST}", f"12345678ac{REST}"
    three = f"12345678b0{REST}"
    _store(engine, [_row(content_key=key) for key in (alone, one, two, three)])
    with reading(engine) as connection:
        assert starts_of_keys(connection, [alone, one, three]) == {
            alone: "00000000",
            one: "12345678ab",
            three: "12345678b",
        }
        assert starts_of_keys(connection, []) == {}


def test_a_key_among_many(engine):
    """Of more keys than one question asks for each has its own start."""
    many = [f"{i:08x}{i % 7:02x}{REST}" for i in range(1200)]
    twin = f"{many[900][:8]}ff{REST}"
    _store(engine, [_row(content_key=key) for key in (*many, twin)])
    with reading(engine) as connection:
        found = starts_of_keys(connection, many)
    assert found == {key: key[: 9 if key == many[900] else 8] for key in many}


def test_each_reference_is_told_by_its_last_night_of_enough_frames(engine):
    """A night of too few frames is passed over for one reference and serves another."""

    def stood(run_id, reference, degrees, rotator=None):
        at = {"run_id": run_id, "matched_to": reference, "kind": "light", "counted": True}
        return _row(**at, rotation_deg=degrees, rotator_deg=rotator)

    rows = [
        *(stood(1, "a", deg, 7.0) for deg in (1.0, 2.0)),
        stood(2, "a", 9.0),
        *(stood(2, "b", deg) for deg in (3.0, 4.0)),
        *(stood(1, "b", deg) for deg in (5.0, 6.0)),
        stood(2, "c", 8.0),
        *(stood(3, "a", deg) for deg in (11.0, 12.0)),
    ]
    keyed = [row | {"content_key": f"{i:032x}"} for i, row in enumerate(rows)]
    _store(engine, keyed)
    with reading(engine) as connection:
        found = angles_before(connection, 1, NIGHTS[2], ["a", "b", "c"], 2)
    assert found == {
        "a": Angles(NIGHTS[0], (1.0, 2.0), (7.0, 7.0)),
        "b": Angles(NIGHTS[1], (3.0, 4.0), ()),
    }


def test_a_server_compiles_no_statement(engine):
    """It would, of a large archive, and take longer to do so than to answer."""
    if engine.dialect.name != "postgresql":
        pytest.skip("a file has no server")
    with reading(engine) as connection:
        assert connection.exec_driver_sql("SHOW jit").scalar_one() == "off"
