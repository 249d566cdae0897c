"""Trouble with the database: a clear error, exit code 3, nothing lost."""

import json
import os
import random
import shutil
import sqlite3
import subprocess
from contextlib import closing

import pytest

from runlog.store import engine as store_engine
from tests.cli.test_bad_input import needs_obedience, obedient
from tests.store.earlier import take_back
from tests.tools import here, logged_s, runlog, scan_into, write_run


def refused(done, words):
    """Check a refusal: exit code 3, the words, no traceback, no data."""
    assert done.returncode == 3, done.stderr
    assert words in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


def edit(path, statement):
    """Change a database behind runlog's back."""
    with sqlite3.connect(path) as connection:
        connection.execute(statement)
    connection.close()


@pytest.mark.parametrize("words", [["totals"], ["nights"], ["scan", "frames"]])
def test_a_newer_database(tmp_path, words):
    """A database of a later version is left as it is, with the cure."""
    (tmp_path / "frames").mkdir()
    database = tmp_path / "night.sqlite"
    scan_into(database, *write_run(tmp_path / "frames", 1))
    edit(database, "UPDATE alembic_version SET version_num = '9999'")
    edit(database, "PRAGMA wal_checkpoint(TRUNCATE)")
    before = database.read_bytes()
    refused(here(tmp_path, *words), "newer runlog")
    assert database.read_bytes() == before


@pytest.mark.parametrize("words", [["totals"], ["scan", "."], ["check"], ["goal", "M33", "L", "3"]])
def test_not_a_database(tmp_path, words):
    """A file that is something else is named and left alone."""
    (tmp_path / "night.sqlite").write_bytes(b"These are my notes." * 500)
    refused(here(tmp_path, *words), "not a database")
    assert (tmp_path / "night.sqlite").read_bytes() == b"These are my notes." * 500


@pytest.mark.parametrize("words", [["totals"], ["scan", "."], ["goal", "M33", "L", "3"]])
@pytest.mark.parametrize("scrap", [b"\n", b"%PDF-", b"notes" * 90])
def test_a_scrap(tmp_path, scrap, words):
    """A file shorter than any database is not taken for an empty one and written over."""
    (tmp_path / "night.sqlite").write_bytes(scrap)
    refused(here(tmp_path, *words), "not a database")
    assert (tmp_path / "night.sqlite").read_bytes() == scrap


def test_an_empty_file(tmp_path):
    """An empty file is told by whatever only looks; a scan begins a database in it."""
    write_run(tmp_path / "frames", 2)
    (tmp_path / "night.sqlite").touch()
    refused(here(tmp_path, "totals"), "is empty")
    refused(here(tmp_path, "check"), "put a copy in its place")
    assert (tmp_path / "night.sqlite").read_bytes() == b""
    scan_into(tmp_path / "night.sqlite", tmp_path / "frames")
    assert logged_s(tmp_path / "night.sqlite") == 2 * 300


def test_somebody_elses_database(tmp_path):
    """The database of another program does not get our tables."""
    edit(tmp_path / "night.sqlite", "CREATE TABLE recipes (id INTEGER)")
    refused(here(tmp_path, "scan", "."), "another program")
    with sqlite3.connect(tmp_path / "night.sqlite") as connection:
        assert connection.execute("SELECT count(*) FROM sqlite_master").fetchone() == (1,)


def test_a_damaged_database(tmp_path):
    """A database whose pages are damaged is reported as such; `check` says what to do."""
    database = tmp_path / "night.sqlite"
    scan_into(database, *write_run(tmp_path / "frames", 3))
    edit(database, "PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copy(database, tmp_path / "night.0008-20261009T050000000000Z.sqlite")
    raw = bytearray(database.read_bytes())
    raw[4096 * 3 : 4096 * 30] = b"\xa5" * (4096 * 27)
    database.write_bytes(raw)
    refused(here(tmp_path, "frames"), "is damaged")
    told = here(tmp_path, "check")
    assert (told.returncode, told.stderr) == (3, "")
    for words in (
        "the frames cannot be read",
        "20261009T050000000000Z.sqlite: 3 frames",
        "your frames are untouched",
        "marks, corrections, goals and notes do not",
    ):
        assert words in told.stdout
    rows = json.loads(here(tmp_path, "check", "--json").stdout)["rows"]
    assert not all(row["well"] for row in rows)
    assert database.read_bytes() == bytes(raw)


@pytest.mark.parametrize("seed", range(12))
def test_pages_spoilt_at_random(tmp_path, seed):
    """Whatever page is spoilt, every command goes on or says so; none gives another sum."""
    database = tmp_path / "night.sqlite"
    scan_into(database, *write_run(tmp_path / "frames", 3))
    edit(database, "PRAGMA wal_checkpoint(TRUNCATE)")
    right = here(tmp_path, "totals", "--json").stdout
    edit(database, "PRAGMA wal_checkpoint(TRUNCATE)")
    draw, raw = random.Random(seed), bytearray(database.read_bytes())
    for _ in range(draw.choice([1, 3, 20])):
        page = 4096 * draw.randrange(len(raw) // 4096)
        raw[page : page + 4096] = draw.choice([bytes(4096), draw.randbytes(4096)])
    database.write_bytes(raw[: draw.choice([len(raw), len(raw) // 2])])
    for words in (["totals", "--json"], ["check"], ["mark", "light_0001.fits", "keep"]):
        done = here(tmp_path, *words)
        assert done.returncode in (0, 3), done.stderr
        assert "Traceback" not in done.stderr
        assert words[0] != "totals" or done.returncode or done.stdout == right


def test_a_folder_instead_of_a_database(tmp_path):
    """A folder given as the database is refused."""
    refused(here(tmp_path, "--db", str(tmp_path), "totals"), "cannot be opened")


@pytest.mark.parametrize(
    ("address", "words"),
    [
        ("nosuch://x/y", "Only SQLite and PostgreSQL"),
        ("mysql://x/y", "Only SQLite and PostgreSQL"),
        ("postgresql+nosuch://x/y", "No driver"),
        ("://", "cannot be read"),
    ],
)
def test_an_address_that_makes_no_sense(tmp_path, address, words):
    """An address nobody can open is refused in words."""
    refused(here(tmp_path, "--db", address, "totals"), words)


def test_a_locked_database(tmp_path, monkeypatch):
    """A database held by another program is waited for, then given up; nothing is lost."""
    database = tmp_path / "night.sqlite"
    scan_into(database, *write_run(tmp_path / "frames", 2))
    holder = sqlite3.connect(database, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    monkeypatch.setattr(store_engine, "BUSY_TIMEOUT_MS", 200)
    more = str(write_run(tmp_path / "more", 4)[3])
    refused(here(tmp_path, "scan", more), "locked by another program")
    done = here(tmp_path, "totals", "--csv")
    assert done.returncode == 0  # reading needs no lock
    assert "600.0" in done.stdout
    holder.execute("ROLLBACK")
    holder.close()
    scan_into(database, tmp_path / "more")
    assert logged_s(database) == 4 * 300


@needs_obedience
def test_a_read_only_database(tmp_path):
    """Without write permission reading works, and writing is refused with the cure."""
    home = tmp_path / "home"
    home.mkdir()
    scan_into(home / "night.sqlite", *write_run(tmp_path / "frames", 2))
    edit(home / "night.sqlite", "PRAGMA wal_checkpoint(TRUNCATE)")
    os.chmod(home / "night.sqlite", 0o444)
    more = write_run(tmp_path / "more", 4)[3]
    refused(obedient(home, "scan", str(more)), "read-only")
    refused(obedient(home, "goal", "M33", "L", "3"), "read-only")
    done = obedient(home, "totals", "--csv")
    assert done.returncode == 0, done.stderr
    assert "600.0" in done.stdout
    os.chmod(home, 0o555)
    done = obedient(home, "totals", "--csv")
    os.chmod(home, 0o755)
    assert "Traceback" not in done.stderr
    assert done.returncode == 0, done.stderr
    assert "600.0" in done.stdout


@needs_obedience
def test_a_folder_that_may_not_be_written(tmp_path):
    """A database cannot be made where nothing may be written."""
    locked = tmp_path / "locked"
    locked.mkdir()
    locked.chmod(0o555)
    done = obedient(tmp_path, "--db", str(locked / "sub" / "x.sqlite"), "scan", ".")
    refused(done, "cannot be made")
    refused(obedient(tmp_path, "--db", str(locked / "x.sqlite"), "scan", "."), "cannot be opened")


READERS = """check|calibration|correct --list|export|forecast|frames|goal M33 L 3|mark x.fits keep
night|nights|policy suggest|regrade|regrade --explain x.fits|review|targets|totals"""


@pytest.mark.parametrize("words", READERS.replace("\n", "|").split("|"))
def test_a_database_that_is_not_there(tmp_path, words):
    """A mistyped path is named with the cure and leaves no file behind: exit code 3."""
    away = tmp_path / "sub" / "mistyped.sqlite"
    done = here(tmp_path, "--db", away, *words.split())
    refused(done, f"There is no database: {away}")
    assert "runlog scan FOLDER makes one" in done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_path_that_cannot_be_looked_at(tmp_path):
    """A name longer than any disk takes says neither "not there" nor a traceback."""
    refused(here(tmp_path, "--db", tmp_path / ("x" * 300), "totals"), "cannot be opened")


@needs_obedience
def test_a_folder_that_may_not_be_looked_into(tmp_path):
    """A database in somebody else's closed folder is not said to be missing."""
    closed = tmp_path / "closed"
    closed.mkdir()
    closed.chmod(0)
    done = obedient(tmp_path, "--db", str(closed / "x.sqlite"), "totals")
    refused(done, "cannot be opened")


def test_looking_before_the_first_scan(tmp_path):
    """Without any path named, listings say what comes first and make nothing either."""
    done = here(tmp_path, "totals", env={"RUNLOG_DB": ""})
    refused(done, "runlog scan FOLDER makes one")
    assert list(tmp_path.iterdir()) == []


def test_a_scan_makes_the_database(tmp_path):
    """Scanning is what makes a database, its folder included."""
    (tmp_path / "empty").mkdir()
    away = tmp_path / "new" / "x.sqlite"
    assert here(tmp_path, "--db", away, "scan", "empty").returncode == 0
    assert here(tmp_path, "--db", away, "totals").returncode == 0


def limited(size):
    """Make a function that limits how long a file the command may write."""
    import resource

    return lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))


def test_a_file_that_may_not_grow(tmp_path):
    """When the database cannot grow the scan ends clearly; what was stored stays and goes on."""
    write_run(tmp_path / "frames", 40)
    # Large enough for the tables, too small for forty frames.
    done = runlog(tmp_path, "scan", tmp_path / "frames", preexec_fn=limited(450_000))
    assert done.returncode == 3, done.stderr
    assert "disk" in done.stderr
    assert "Traceback" not in done.stderr
    again = runlog(tmp_path, "scan", tmp_path / "frames")
    assert again.returncode == 0, again.stderr
    assert logged_s(tmp_path / "night.sqlite") == 40 * 300


@pytest.fixture
def small_disk(tmp_path):
    """Mount a disk of 700 kB."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=700k", "tmpfs", str(folder)]
    if shutil.which("mount") is None or subprocess.run(mount, capture_output=True).returncode != 0:
        pytest.skip("no disk may be mounted here")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk(tmp_path, small_disk):
    """On a full disk the scan says so, exit code 3; with room again it completes."""
    write_run(tmp_path / "frames", 40)
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(200_000))
    words = ("--db", str(small_disk / "x.sqlite"), "scan", tmp_path / "frames")
    done = runlog(tmp_path, *words)
    refused(done, "is full")
    ballast.unlink()
    subprocess.run(["mount", "-o", "remount,size=20m", str(small_disk)], check=True)
    again = runlog(tmp_path, *words)
    assert again.returncode == 0, again.stderr
    assert logged_s(small_disk / "x.sqlite") == 40 * 300


def test_a_disk_without_room_for_what_lies_beside_a_database(tmp_path, small_disk):
    """Guards the cause: SQLite calls it an I/O error, and the disk is only full."""
    database = small_disk / "x.sqlite"
    subprocess.run(["mount", "-o", "remount,size=1500k", str(small_disk)], check=True)
    scan_into(database, *write_run(tmp_path / "frames", 2))
    edit(database, "PRAGMA wal_checkpoint(TRUNCATE)")
    room = shutil.disk_usage(small_disk).free
    (small_disk / "ballast").write_bytes(bytes(room))
    refused(runlog(tmp_path, "--db", str(database), "goal", "M33", "L", "3"), "is full")
    (small_disk / "ballast").unlink()
    assert runlog(tmp_path, "--db", str(database), "goal", "M33", "L", "3").returncode == 0


def test_a_disk_that_fills_while_tables_are_brought_up_to_date(tmp_path, small_disk):
    """Wherever it fills, no copy is left of tables that were not changed: it takes room needed."""
    old = tmp_path / "old.sqlite"
    scan_into(old, *write_run(tmp_path / "frames", 2))
    take_back(old, "0008")
    database = small_disk / "x.sqlite"
    shutil.copy(old, database)
    kb = -(-old.stat().st_size // 1024)
    failed, told = 0, False
    for room in range(8, 8 * kb, 96):
        remount = ["mount", "-o", f"remount,size={kb + room}k", str(small_disk)]
        subprocess.run(remount, check=True)
        done = runlog(tmp_path, "--db", str(database), "totals")
        copies = [path for path in small_disk.iterdir() if "0008" in path.name]
        if done.returncode == 0:
            assert len(copies) == 1
            break
        # Where what comes after them finds no room, the tables stay, and so does the copy.
        told |= "The tables were brought up to date" in done.stderr
        assert (done.returncode, len(copies)) == (3, int(told)), done.stderr
        failed += 1
    assert failed >= 3
    assert logged_s(database) == 2 * 300


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[site]\nlatitude_deg = 'north'\n", "is not a number"),
        ("[sight]\n", "is not a section"),
        ("[site]\ncountry = 'x'\n", "is not a setting"),
        ("[site\n", "cannot be read"),
        ("[site]\ntime_zone = 'Middle/Earth'\n", "unknown time zone"),
        ("[site]\nlongitude_deg = 400\n", "out of range"),
    ],
)
def test_a_config_that_cannot_be_followed(tmp_path, text, words):
    """A config file with a mistake is named with the mistake: exit code 3."""
    config = tmp_path / "my.toml"
    config.write_text(text)
    done = here(tmp_path, "--config", config, "nights")
    refused(done, words)
    assert str(config) in done.stderr


def test_a_config_that_is_not_there(tmp_path):
    """A config file that was named and is not there is an error, not a silent default."""
    refused(here(tmp_path, "nights", env={"RUNLOG_CONFIG": "nowhere.toml"}), "no such config")


def test_check_looks_at_indexes_where_it_is_to_be_thorough(tmp_path):
    """An index that lost rows is found on request; else what was not looked at is said."""
    write_run(tmp_path / "frames", 2)
    scan_into(tmp_path / "night.sqlite", tmp_path / "frames")
    whole = here(tmp_path, "check", "--thorough").stdout
    assert "integrity: ok, indexes included" in whole
    with closing(sqlite3.connect(tmp_path / "night.sqlite")) as connection:
        connection.execute("PRAGMA writable_schema = ON")
        connection.execute(
            "UPDATE sqlite_master SET sql = replace(sql, 'IS NOT NULL', 'IS NULL') "
            "WHERE name = 'ix_frame_corrected'"
        )
        connection.commit()
    assert "whether indexes agree with the rows was not looked at" in here(tmp_path, "check").stdout
    lost = here(tmp_path, "check", "--thorough").stdout
    assert "missing from index ix_frame_corrected" in lost
    assert "Put a copy in its place" in lost
