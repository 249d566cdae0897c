"""A small seeded share of tests/bench/disks.py: trouble with disks and databases."""

import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path
from random import Random

import pytest

from tests.disks.clock import turned
from tests.disks.denied import denied, sealed, sealed_behind
from tests.disks.full import output
from tests.disks.held import hold_for
from tests.disks.spoilt import strange
from tests.disks.world import World, another_user, close, run, run_as, unsaid

SEED = 11


@pytest.fixture(scope="module")
def world():
    """Make the archive that trouble is tried on, where another user may look."""
    with tempfile.TemporaryDirectory(prefix="runlog-disks-") as folder:
        yield World(Path(folder)).make()


def whole(faults):
    """See that something was tried and that all of it held."""
    found = list(faults)
    if not found:
        pytest.skip("this cannot be tried here")
    assert [fault for fault in found if fault] == []


def test_output_to_a_full_disk(world):
    """Guards pipes into full disks: the file that is not whole is told, exit code 3."""
    whole(output(world, Random(SEED), 1))


def test_a_database_of_another_user(world):
    """Guards reading what belongs to another, in a folder nobody may write: it goes on."""
    whole(denied(world, Random(SEED), 1))


def test_a_disk_mounted_read_only(world):
    """Guards archives on read-only disks: reading goes on, writing is refused."""
    whole(sealed(world, Random(SEED), 1))


def test_earlier_tables_that_cannot_be_copied(world):
    """Guards migrations: where no copy can be made nothing is changed."""
    whole(sealed_behind(world, Random(SEED), 1))


def test_grades_that_cannot_be_brought_up_to_date(world):
    """Guards reading a database whose nights wait for grading, where nothing may be written."""
    prefix = another_user()
    if prefix is None:
        pytest.skip("there is no other user here")
    place = world.place("behind")
    database = world.copy(place)
    with closing(sqlite3.connect(database)) as connection:
        connection.execute("UPDATE run SET revision = revision + 1")
        connection.commit()
    close(database)
    place.chmod(0o755)
    database.chmod(0o644)
    done = run_as(prefix, database, "totals")
    assert done.returncode == 0, done.stderr
    assert "grades and hours of 1 night are not up to date" in done.stderr
    assert "M 33" in done.stdout


def test_a_copy_that_may_only_be_read(world):
    """Guards copies made before migrations, which are no WAL files: one may look into them."""
    prefix = another_user()
    if prefix is None:
        pytest.skip("there is no other user here")
    place = world.place("copy")
    database = world.copy(place)
    with closing(sqlite3.connect(database)) as connection:
        connection.execute("PRAGMA journal_mode = DELETE")
    place.chmod(0o777)
    database.chmod(0o644)
    assert run_as(prefix, database, "totals").returncode == 0
    assert unsaid(run_as(prefix, database, "goal", "M33", "R", "2")) == ""


def test_a_wait_is_told(world):
    """Guards silence: whoever waits for another program is told so, and goes on after it."""
    assert hold_for(world, Random(SEED), 0.0) == ""


def test_something_else_in_place_of_a_database(world):
    """Guards folders, links, stale side files, newer and earlier tables: words, exit code 3."""
    whole(strange(world, Random(SEED), 1))


def test_a_clock_that_jumps(world):
    """Guards against clocks set back: what was said last holds, whatever the time."""
    whole(turned(world, Random(SEED), 1))


def test_a_disk_that_is_full_says_so_on_a_closed_stream(world):
    """Guards commands started without a standard output, as by a timer."""
    done = run(world.base, "nights", home=world.folder, preexec_fn=_without_output)
    assert (done.returncode, done.stderr) == (0, "")


def _without_output():
    import os

    os.close(1)
