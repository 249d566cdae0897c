"""A database, what SQLite puts beside it and the copies made of it are their owner's alone."""

import os
import sqlite3
import stat
from contextlib import closing

import pytest
from sqlalchemy import insert

from runlog.store import models as m
from runlog.store.engine import open_engine, writing
from runlog.store.migrate import known_revisions, ready
from runlog.store.private import close_to_others, files_of, open_to_others
from tests.store.earlier import take_back
from tests.tools import here, runlog_json

pytestmark = pytest.mark.skipif(os.name != "posix", reason="rights of POSIX")


@pytest.fixture(autouse=True)
def usual_umask():
    """Let new files be read by everybody, as they usually may."""
    before = os.umask(0o022)
    yield
    os.umask(before)


def mode(path):
    """Give the rights of a file."""
    return stat.S_IMODE(path.stat().st_mode)


def test_a_new_database_and_its_side_files(tmp_path):
    """Nobody else reads them, from their first byte on; nor the folder made for them."""
    path = tmp_path / "new" / "night.sqlite"
    engine = ready(open_engine(str(path)))
    with writing(engine) as connection:
        connection.execute(insert(m.rig).values(key="k", name="n"))
        made = sorted(file.name for file in path.parent.iterdir())
        assert made == ["night.sqlite", "night.sqlite-shm", "night.sqlite-wal"]
        assert {mode(file) for file in path.parent.iterdir()} == {0o600}
    assert mode(path.parent) == 0o700
    engine.dispose()


def test_a_database_that_is_there_keeps_its_rights(tmp_path):
    """A person who shares a database with a group is not overruled."""
    path = tmp_path / "night.sqlite"
    ready(open_engine(str(path))).dispose()
    path.chmod(0o660)
    ready(open_engine(str(path))).dispose()
    assert mode(path) == 0o660


def test_the_copy_before_a_migration(tmp_path):
    """A copy is its owner's alone, whatever the rights of the database."""
    path = tmp_path / "night.sqlite"
    ready(open_engine(str(path))).dispose()
    take_back(path, known_revisions()[-2])
    path.chmod(0o644)
    ready(open_engine(str(path))).dispose()
    (copy,) = [file for file in files_of(path) if file != path]
    assert mode(copy) == 0o600
    with closing(sqlite3.connect(copy)) as database:
        assert database.execute("PRAGMA integrity_check").fetchone() == ("ok",)


def test_what_belongs_to_a_database(tmp_path):
    """Side files and copies are found by their names, and nothing else is."""
    path = tmp_path / "night.sqlite"
    own = ["night.0009-20261010T010203000001Z.sqlite", "night.sqlite", "night.sqlite-wal"]
    others = ["night.0009.sqlite", "nights.sqlite", "night.notes-2026Z.sqlite", "night.sqlite.bak",
              "knight.0009-20261010T010203000001Z.sqlite", "frame.fits"]  # fmt: skip
    for name in own + others:
        (tmp_path / name).touch(0o644)
    assert sorted(file.name for file in files_of(path)) == own
    assert close_to_others(path) == []
    assert {mode(tmp_path / name) for name in own} == {0o600}
    assert {mode(tmp_path / name) for name in others} == {0o644}


def test_check_offers_it_and_does_it(tmp_path):
    """`check` names the files that others may read; --private takes that from them, once."""
    path = tmp_path / "night.sqlite"
    ready(open_engine(str(path))).dispose()
    assert "others" not in here(tmp_path, "check").stdout
    path.chmod(0o644)
    said = here(tmp_path, "check").stdout
    assert "others on this machine may read night.sqlite" in said
    assert "runlog check --private" in said
    assert mode(path) == 0o644
    rows = runlog_json(tmp_path, "check", "--private")["rows"]
    assert any(row["well"] and "readable by you alone now" in row["text"] for row in rows)
    assert mode(path) == 0o600
    assert open_to_others(path) == []
    assert "alone" not in here(tmp_path, "check", "--private").stdout


def test_files_of_another_user(tmp_path, monkeypatch):
    """What cannot be changed is named, not passed over."""
    path = tmp_path / "night.sqlite"
    ready(open_engine(str(path))).dispose()
    path.chmod(0o644)

    def refuse(*_args, **_more):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr("pathlib.Path.chmod", refuse)
    assert "could not be closed to others: night.sqlite" in (
        here(tmp_path, "check", "--private").stdout
    )
