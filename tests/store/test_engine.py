"""One writer at a time, a still view for readers, and words for what goes wrong: both databases."""

import pytest
from sqlalchemy import insert, select

from runlog.store import models as m
from runlog.store.engine import open_engine, reading, writing
from runlog.store.migrate import ready

pytestmark = pytest.mark.both_databases


@pytest.fixture
def engine(database):
    """Open a database that has its tables."""
    engine = ready(open_engine(str(database)))
    yield engine
    engine.dispose()


def test_a_reader_sees_one_moment(engine):
    """What another writes while a listing is read does not show in half of it."""
    query = select(m.rig.c.name)
    with reading(engine) as connection:
        assert connection.execute(query).all() == []
        with writing(engine) as other:
            other.execute(insert(m.rig).values(key="k", name="n"))
        assert connection.execute(query).all() == []
    with reading(engine) as connection:
        assert connection.execute(query).all() == [("n",)]
