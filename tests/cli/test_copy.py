"""runlog copy: from a file to a real server and back, row for row; half a copy is never read."""

import subprocess

import pytest

from runlog.actions.copy import copy_database
from runlog.errors import StoreError
from runlog.store import copying
from runlog.store.engine import open_engine
from tests.tools import argv, content, environment, here, noise, write_frame, write_run

NOTE = "a satellite, but \u2605 \u65e5\u672c"
LISTINGS = ("totals", "nights", "frames", "night", "targets", "calibration", "roots", "export")


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """A home whose database has rows in most tables: a person was at work."""
    home = tmp_path_factory.mktemp("copied")
    folder = home / "frames"
    write_run(folder, 6)
    for i in range(3):
        write_frame(folder / f"dark_{i}.fits", noise(i), IMAGETYP="Dark Frame", FILTER=None)
    for words in (
        ("scan", folder),
        ("mark", folder / "light_0001.fits", "keep", "--note", NOTE),
        ("goal", "M31", "L", "12", "--new"),
        ("note", "collimated", "--date", "2026-10-15"),
        ("correct", "filter", "R", folder / "light_0002.fits"),
    ):
        done = here(home, *words)
        assert done.returncode == 0, done.stderr
    return home


def listed(home, database):
    """Write every listing as JSON."""
    env = {"RUNLOG_DB": str(database)}
    return {name: here(home, name, "--json", env=env).stdout for name in LISTINGS}


def test_to_a_server_and_back_nothing_differs(home, empty_database, tmp_path):
    """Guards the way to a shared database: each table, and each listing byte for byte."""
    original = home / "night.sqlite"
    to = here(home, "copy", empty_database)
    assert to.returncode == 0, to.stderr
    assert "Copied and compared" in to.stderr
    back = here(home, "copy", tmp_path / "back.sqlite", env={"RUNLOG_DB": empty_database})
    assert back.returncode == 0, back.stderr
    assert listed(home, empty_database) == listed(home, original)
    assert listed(home, tmp_path / "back.sqlite") == listed(home, original)
    # The server counts on: what is stored next has numbers of its own.
    write_run(tmp_path / "more", 3)
    done = here(home, "scan", tmp_path / "more", env={"RUNLOG_DB": empty_database})
    assert done.returncode == 0, done.stderr
    assert (
        here(
            home, "note", "cleaned", "--date", "2026-10-16", env={"RUNLOG_DB": empty_database}
        ).returncode
        == 0
    )


@pytest.mark.parametrize("after", [1, 3, 6, 10])
def test_a_copy_that_broke_off_goes_on(home, empty_of_each, after, monkeypatch):
    """Ended at any batch it leaves what no command reads, and the next copy makes it whole."""
    monkeypatch.setattr(copying, "BATCH", 2)
    source, calls = open_engine(str(home / "night.sqlite")), []

    def ends(_done, _total):
        calls.append(1)
        if len(calls) > after:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        copy_database(source, empty_of_each, ends)
    refused = here(home, "totals", env={"RUNLOG_DB": empty_of_each})
    assert refused.returncode == 3
    assert "half filled" in refused.stderr
    copy_database(source, empty_of_each, lambda *_: None)
    source.dispose()
    assert listed(home, empty_of_each) == listed(home, home / "night.sqlite")


@pytest.fixture(params=["sqlite", "postgresql"])
def empty_of_each(request, tmp_path):
    """Name an empty database of each kind."""
    if request.param == "sqlite":
        return str(tmp_path / "copy.sqlite")
    return request.getfixturevalue("empty_database")


def test_killed_at_once_it_goes_on(home, tmp_path):
    """The real command ended by kill -9: the database it began is refused, then made whole."""
    to = tmp_path / "copy.sqlite"
    run = subprocess.Popen(argv("copy", to), env=environment(home))
    while not to.exists() and run.poll() is None:
        pass
    run.kill()
    run.wait()
    done = here(home, "copy", to)
    assert done.returncode in (0, 3)  # 3: it had ended before the kill, and is in use already
    assert content(to) == content(home / "night.sqlite")


def test_what_is_in_use_is_not_filled(home, tmp_path):
    """Another's database, of this program or not, is refused and left as it is; so is its own."""
    write_run(tmp_path / "others", 2)
    assert here(tmp_path, "scan", tmp_path / "others").returncode == 0
    before = content(tmp_path / "night.sqlite")
    done = here(home, "copy", tmp_path / "night.sqlite")
    assert done.returncode == 3
    assert "in use already" in done.stderr
    assert content(tmp_path / "night.sqlite") == before
    assert here(home, "copy", home / "night.sqlite").returncode == 2
    assert here(home, "copy", "mysql://somewhere/x").returncode == 3


def test_a_row_changed_on_the_way_is_found(home, tmp_path, monkeypatch):
    """Guards the comparison: a copy that is not like the original is not taken for one."""
    put = copying._put

    def careless(table, values, connection):
        if table.name == "frame":
            values = [row | {"exposure_s": (row["exposure_s"] or 0) + 1} for row in values]
        put(table, values, connection)

    monkeypatch.setattr(copying, "_put", careless)
    source = open_engine(str(home / "night.sqlite"))
    with pytest.raises(StoreError, match="not like the original in its table 'frame'"):
        copy_database(source, str(tmp_path / "copy.sqlite"), lambda *_: None)
    source.dispose()
    assert here(home, "totals", env={"RUNLOG_DB": str(tmp_path / "copy.sqlite")}).returncode == 3
