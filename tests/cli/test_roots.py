"""runlog roots, as a person types it."""

import csv
import io
import json
import os

import pytest

from tests.tools import here, runlog, write_run


def said(home, *words, **env):
    """Run a command that must succeed; gives what it says to the person."""
    done = runlog(home, *words, env=env)
    assert done.returncode == 0, done.stderr
    return done.stdout + done.stderr


def test_roots_as_a_person_types_them(tmp_path):
    """Scan, unplug, plug in elsewhere, map, rename: the real command, and nothing is read twice."""
    write_run(tmp_path / "disk" / "my nights", 2)
    said(tmp_path, "scan", tmp_path / "disk" / "my nights")
    assert f"{tmp_path}/disk/my nights" in said(tmp_path, "roots")
    os.rename(tmp_path / "disk", tmp_path / "stick")
    assert "not there now" in said(tmp_path, "roots")
    told = said(tmp_path, "roots", "map", "my nights", tmp_path / "stick" / "my nights")
    assert f"my nights is in {tmp_path}/stick/my nights on this machine" in told
    assert "2 files known there" in told
    assert "0 new, 2 unchanged" in said(tmp_path, "scan")
    assert "is called M31 from now on" in said(tmp_path, "roots", "rename", "My Nights", "M31")
    (row,) = json.loads(said(tmp_path, "roots", "--json"))["rows"]
    assert row["scanned_at_utc"].endswith("Z")
    assert {key: row[key] for key in ("name", "path", "missing", "files")} == {
        "name": "M31", "path": f"{tmp_path}/stick/my nights", "missing": False, "files": 2,
    }  # fmt: skip
    os.rename(tmp_path / "stick", tmp_path / "away")
    other = said(tmp_path, "roots", RUNLOG_MACHINE="another")
    assert "not on this machine" in other
    assert f"{tmp_path}/stick/my nights" in other
    assert "M31:light_0000.fits" in said(tmp_path, "frames", "--json", RUNLOG_MACHINE="another")


def test_a_listing_like_the_others(tmp_path):
    """CSV has the keys of JSON; an empty database says what to do; --db may stand anywhere."""
    write_run(tmp_path / "a", 1)
    here(tmp_path, "scan", tmp_path / "a")
    rows = json.loads(here(tmp_path, "roots", "--json").stdout)["rows"]
    (line,) = csv.DictReader(io.StringIO(here(tmp_path, "roots", "--csv").stdout))
    assert list(line) == list(rows[0])
    assert line["name"] == "a"
    database, elsewhere = tmp_path / "night.sqlite", {"RUNLOG_DB": str(tmp_path / "no.sqlite")}
    for words in (("--db", database, "roots"), ("roots", "--db", database)):
        assert here(tmp_path, *words, "rename", "a", "b", env=elsewhere).returncode == 0
        assert here(tmp_path, "roots", "rename", "b", "a").returncode == 0
    assert here(tmp_path, "roots", env=elsewhere).returncode == 3


@pytest.mark.parametrize("name", ["", " ", "a:b", "a/b", "-a", "tab\there", "other"])
def test_names_that_no_root_can_have(tmp_path, name):
    """A name must be told from a path, an option, and the other roots."""
    for folder in ("a", "other"):
        write_run(tmp_path / folder, 1, first=len(folder))
        here(tmp_path, "scan", tmp_path / folder)
    done = here(tmp_path, "roots", "rename", "a", "--", name)
    assert done.returncode == 2, done.stderr
    assert "Traceback" not in done.stderr


def test_a_scan_where_nothing_is_on_this_machine(tmp_path):
    """A plain scan on a machine that has none of the roots says so, and how to go on."""
    write_run(tmp_path / "a", 1)
    here(tmp_path, "scan", tmp_path / "a")
    os.rename(tmp_path / "a", tmp_path / "away")
    done = here(tmp_path, "scan", env={"RUNLOG_MACHINE": "another"})
    assert done.returncode == 2
    assert "on this machine" in done.stderr
    assert "runlog roots" in done.stderr
