"""Corrections lie beside the header: chosen frames, undoable, surviving every re-scan."""

import os
import shutil

import pytest
from astropy.io import fits

from runlog.core.corrections.correction import (
    in_words,
    read_date,
    read_exposure,
    read_kind,
    read_site,
)
from runlog.core.corrections.in_force import TargetChanges, in_force
from runlog.errors import UsageError
from tests.tools import database_of, here, noise, rows, runlog_json, write_frame, write_run

pytestmark = pytest.mark.both_databases


@pytest.fixture(autouse=True)
def in_this_process(monkeypatch):
    """Read the few frames here: starting workers for each test would take a minute."""
    monkeypatch.setattr("runlog.actions.scan.FEW", 100)


def scanned(home):
    """Scan a run of four frames and one dark."""
    write_run(home / "frames", 4)
    dark = home / "frames" / "dark_1.fits"
    write_frame(dark, noise(9), IMAGETYP="Dark", DATE__OBS="2026-10-10T03:00:00")
    assert here(home, "scan", home / "frames").returncode == 0
    return home


@pytest.fixture
def home(tmp_path, database):
    """Give a test its own frames."""
    return scanned(tmp_path)


@pytest.fixture(scope="module")
def untouched(tmp_path_factory):
    """Give frames to tests that must change nothing."""
    return scanned(tmp_path_factory.mktemp("untouched"))


def frames(home, *words):
    """List frames as JSON."""
    return runlog_json(home, "frames", *words)["rows"]


def lights(home):
    """List light frames."""
    return [row for row in frames(home) if row["kind"] == "light"]


def totals(home):
    """Give logged seconds by target and filter."""
    found = runlog_json(home, "totals")["rows"]
    return {(row["target"], row["filter"]): row["logged_s"] for row in found}


def correct(home, *words, code=0):
    """Run the command; returns what it says to the person."""
    done = here(home, "correct", *words)
    assert done.returncode == code, done.stderr
    return done.stderr


def digests(home):
    """Read every file's bytes."""
    return {p: p.read_bytes() for p in sorted((home / "frames").rglob("*.fits"))}


# --- each field -----------------------------------------------------------------------------


def test_filter(home):
    """A wrong filter moves the hours, is shown as corrected, and the file is not touched."""
    before = digests(home)
    correct(home, "filter", "H-alpha", "--target", "M33", "--kind", "light")
    assert totals(home) == {("M 33", "Ha"): 1200}
    assert {tuple(row["corrected"]) for row in lights(home)} == {("filter",)}
    assert digests(home) == before


def test_target(home):
    """A target is folded like a header's own."""
    correct(home, "target", "ngc224", "light_0000.fits", "light_0001.fits")
    assert totals(home) == {("M 31", "L"): 600, ("M 33", "L"): 600}


def test_kind(home):
    """A dark that is a light is measured and counted; undone, it is a dark again."""
    correct(home, "kind", "light", "dark_1.fits")
    (row,) = [r for r in frames(home) if r["path"].endswith("dark_1.fits")]
    assert (row["kind"], row["corrected"]) == ("light", ["kind"])
    assert row["noise_adu"] is not None
    assert totals(home) == {("M 33", "L"): 1500}
    correct(home, "--undo")
    assert totals(home) == {("M 33", "L"): 1200}


def test_a_kind_said_by_a_person_outranks_the_run(tmp_path):
    """A short frame among long lights passes for a focus frame, unless a person says light."""
    write_run(tmp_path / "frames", 4)
    path = tmp_path / "frames" / "short.fits"
    write_frame(path, noise(30), EXPTIME=4.0, DATE__OBS="2026-10-09T23:30:00")
    here(tmp_path, "scan", tmp_path / "frames")
    assert [row["kind"] for row in frames(tmp_path)].count("focus") == 1
    correct(tmp_path, "kind", "light", "short.fits")
    assert totals(tmp_path) == {("M 33", "L"): 1204}


def test_exposure(home):
    """Hours follow a corrected exposure time."""
    correct(home, "exposure", "120", "--pattern", "light_000[01].fits")
    assert totals(home) == {("M 33", "L"): 2 * 120 + 2 * 300}


def test_a_date_shifted(home):
    """A clock two days fast: the night changes, times of day stay."""
    before = [row["taken_at_utc"] for row in lights(home)]
    correct(home, "date", "2d earlier", "--night", "2026-10-09")
    after = lights(home)
    assert {row["night"] for row in after} == {"2026-10-07"}
    assert [row["taken_at_utc"][11:] for row in after] == [text[11:] for text in before]


def test_a_date_by_its_evening(home):
    """A clock that lost its date: whole days, so that the frames come to the evening named."""
    correct(home, "date", "2026-09-30", "--night", "2026-10-09")
    assert {row["night"] for row in frames(home)} == {"2026-09-30"}


def test_a_missing_date(tmp_path):
    """Frames that tell no time belong to the night a person names."""
    write_frame(tmp_path / "frames" / "a.fits", noise(1), DATE__OBS=None)
    here(tmp_path, "scan", tmp_path / "frames")
    assert frames(tmp_path)[0]["night"] is None
    correct(tmp_path, "date", "2026-10-09", "a.fits")
    assert frames(tmp_path)[0]["night"] == "2026-10-09"
    (row,) = runlog_json(tmp_path, "totals")["rows"]
    assert row["nights"] == 1


def test_rig(home):
    """A new rig is written telescope + camera; a known one is found by part of its name."""
    correct(home, "rig", "Old Newton + MonoCam 9", "light_0000.fits")
    rigs = {row["path"][-6]: row["rig"] for row in lights(home)}
    assert rigs["0"] == "Old Newton + MonoCam 9"
    assert rigs["1"] == "Ladybird 90/540 + MonoCam 9"
    correct(home, "rig", "newton", "light_0001.fits")
    assert {row["path"][-6]: row["rig"] for row in lights(home)}["1"] == rigs["0"]


def test_site(home):
    """A longitude of the wrong sign changes the night of a frame taken at 22 h UTC (FITS: UTC)."""
    correct(home, "site", "40 -170", "--kind", "light")
    # 170 degrees west is 11 h 20 min behind: 22 h UTC is 10:40 there, still the night before.
    assert {row["night"] for row in lights(home)} == {"2026-10-08"}
    assert {tuple(row["corrected"]) for row in lights(home)} == {("site",)}


# --- surviving ------------------------------------------------------------------------------


def test_corrections_survive_rescans_moves_and_new_headers(home):
    """By pixels, not by path: moved, copied and re-saved frames stay corrected."""
    correct(home, "filter", "OIII", "--kind", "light")
    wanted = totals(home)
    shutil.copytree(home / "frames", home / "copy")
    shutil.move(home / "frames", home / "moved")
    path = home / "moved" / "light_0002.fits"
    with fits.open(path) as hdus:
        pixels, header = hdus[0].data, hdus[0].header.copy()
    header["OBSERVER"] = "somebody"
    header["FILTER"] = "R"
    fits.PrimaryHDU(pixels, header).writeto(path, overwrite=True)
    assert here(home, "scan", home).returncode == 0
    assert totals(home) == wanted == {("M 33", "OIII"): 1200}


def test_undo_and_undo_the_undoing(home):
    """Corrections are appended: each state of before can be had again, and none is forgotten."""
    correct(home, "filter", "Ha", "--kind", "light")
    correct(home, "--undo")
    assert totals(home) == {("M 33", "L"): 1200}
    correct(home, "--undo", "2")
    assert totals(home) == {("M 33", "Ha"): 1200}
    book = runlog_json(home, "correct", "--list")["rows"]
    assert [(line["field"], line["undoes"], line["stands"]) for line in book] == [
        ("filter", None, True),
        ("undo", 1, False),
        ("undo", 2, True),
    ]


def test_a_dry_run_changes_nothing(home):
    """It names the frames it would change."""
    said = correct(home, "filter", "Ha", "--kind", "light", "--dry-run")
    assert "4 frames" in said
    assert "light_0003.fits" in said
    assert totals(home) == {("M 33", "L"): 1200}
    assert runlog_json(home, "correct", "--list")["rows"] == []


@pytest.mark.parametrize(
    ("words", "frames_said"),
    [
        (["--night", "2026-10-09"], 5),
        (["--folder", "frames"], 5),
        (["--pattern", "light_*"], 4),
        (["--pattern", "light_*", "--night", "2026-10-09"], 4),
        (["--filter", "Lum"], 5),
        (["--kind", "dark"], 1),
        (["--rig", "ladybird"], 5),
        (["light_0001.fits"], 1),
    ],
)
def test_selections(untouched, words, frames_said):
    """All conditions must hold."""
    said = correct(untouched, "target", "M 51", *words, "--dry-run")
    assert f"{frames_said} frame" in said


# --- refused --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "words",
    [
        ["filter", "Ha"],  # no selection
        ["exposure", "0", "--kind", "light"],
        ["exposure", "1e9", "--kind", "light"],
        ["exposure", "soon", "--kind", "light"],
        ["exposure", "-300", "--kind", "light"],
        ["filter", "Hs", "--kind", "light"],  # a slip would bank hours under a filter of its own
        ["kind", "stars", "--kind", "light"],
        ["date", "yesterday", "--kind", "light"],
        ["date", "2026-10-09T22:00:00Z", "--kind", "light"],  # four frames cannot begin at once
        ["site", "95 10", "--kind", "light"],
        ["site", "here", "--kind", "light"],
        ["rig", "nothing like it", "--kind", "light"],
        ["target", " ", "--kind", "light"],
        ["target", "unknown", "--kind", "light"],
        ["filter", "Ha", "--night", "2031-01-01"],  # no frame
        ["filter", "Ha", "--near", "somewhere"],
        ["filter", "Ha", "no_such_file.fits"],
        ["filter"],
        ["colour", "red", "--kind", "light"],
    ],
)
def test_bad_corrections_change_nothing(untouched, words):
    """Wrong usage says what is wrong, and nothing is written."""
    before = totals(untouched)
    said = correct(untouched, *words, code=2)
    assert said.strip()
    assert totals(untouched) == before
    assert runlog_json(untouched, "correct", "--list")["rows"] == []


def test_values_may_begin_with_a_minus(untouched):
    """A southern site, and a shift back in time, need no further signs."""
    words = ("--kind", "light", "--dry-run")
    assert "site of 4 frames: -30.2 -70.7 2200" in correct(
        untouched, "site", "-30.2 -70.7 2200", *words
    )
    assert "date of 4 frames: 1 h earlier" in correct(untouched, "date", "-1h", *words)


def test_a_filter_may_be_none(untouched):
    """Frames taken without a filter are named so."""
    said = correct(untouched, "filter", "none", "--kind", "light", "--dry-run")
    assert "filter of 4 frames: (no filter)" in said


def test_conflicting_corrections_are_refused(home):
    """Another correction of the same value needs --replace; the same one is no conflict."""
    correct(home, "filter", "Ha", "--kind", "light")
    said = correct(home, "filter", "OIII", "light_0000.fits", code=2)
    assert "already have another correction" in said
    assert totals(home) == {("M 33", "Ha"): 1200}
    correct(home, "filter", "Ha", "light_0000.fits")
    correct(home, "filter", "OIII", "light_0000.fits", "--replace")
    assert totals(home) == {("M 33", "Ha"): 900, ("M 33", "OIII"): 300}


def test_undoing_what_is_not_there(home):
    """There is nothing to undo, and a thing undone is not undone twice."""
    assert "no correction to undo" in correct(home, "--undo", code=2)
    assert "no correction 7" in correct(home, "--undo", "7", code=2)
    correct(home, "filter", "Ha", "--kind", "light")
    correct(home, "--undo", "1")
    assert "already undone" in correct(home, "--undo", "1", code=2)


def test_a_file_that_is_away_is_still_corrected(home):
    """An unplugged disk is no reason to wait, except for pixels never measured."""
    os.remove(home / "frames" / "dark_1.fits")
    here(home, "scan", home / "frames")
    said = correct(home, "kind", "light", "dark_1.fits", code=1)
    assert "could not be measured" in said
    assert len(rows(database_of(home), "kind")) == 5


# --- the pure parts -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("typed", "stored"),
    [
        ("+1h", "shift 3600"),
        ("1h later", "shift 3600"),
        ("-30min", "shift -1800"),
        ("30min earlier", "shift -1800"),
        ("+1d 2h", "shift 93600"),
        ("2026-10-09", "night 2026-10-09"),
        ("2026-10-09T23:00:00+01:00", "start 2026-10-09T22:00:00+00:00"),
    ],
)
def test_dates_as_typed(typed, stored):
    """Shifts, evenings and starts; a start without a zone is UTC, one with a zone is turned."""
    assert read_date(typed, 1) == stored


@pytest.mark.parametrize(
    ("field", "stored", "said"),
    [
        ("date", "shift 3600", "1 h later"),
        ("date", "shift -1800", "30 min earlier"),
        ("date", "shift 93690.5", "1 d 2 h 1 min 30.5 s later"),
        ("date", "night 2026-10-14", "the evening of 2026-10-14"),
        ("date", "start 2026-10-14T22:05:00+00:00", "2026-10-14 22:05:00 UTC"),
        ("rig", '["Old Newton", "MonoCam 9", 1000.0, null]', "Old Newton + MonoCam 9"),
        ("site", "[50.1, 14.35, 410.0]", "50.1 14.35 410"),
        ("exposure", "300", "300 s"),
        ("target", "M 33", "M 33"),
    ],
)
def test_values_as_said_back(field, stored, said):
    """A person reads what they meant, not how it is stored."""
    assert in_words(field, stored) == said


def test_a_dry_run_says_how_many_more(tmp_path):
    """Twenty names are enough, the rest is counted."""
    write_run(tmp_path / "frames", 23)
    assert here(tmp_path, "scan", tmp_path / "frames").returncode == 0
    said = correct(tmp_path, "date", "1h later", "--target", "M33", "--dry-run")
    assert "date of 23 frames: 1 h later" in said
    assert said.strip().split("\n")[-1] == "  and 3 more"
    correct(tmp_path, "date", "1h later", "--target", "M33")
    assert "date 1 h later" in here(tmp_path, "correct", "--list").stdout
    assert "Undone: date 1 h later (23 frames, target M 33)" in correct(tmp_path, "--undo")
    assert "Correction 1 is in force again" in correct(tmp_path, "--undo", "2")


def test_other_values_as_typed():
    """Seconds, kinds and sites."""
    assert read_exposure("300 s") == "300"
    assert read_kind("Flat-Dark") == "flat-dark"
    assert read_site("50.1, 14.35 410") == "[50.1, 14.35, 410.0]"
    with pytest.raises(UsageError):
        read_exposure("-3")


def test_what_is_in_force():
    """A line stands unless a standing line undoes it."""
    assert in_force([(1, None), (2, 1)]) == {2}
    assert in_force([(1, None), (2, 1), (3, 2)]) == {1, 3}
    assert in_force([(1, None), (2, None), (3, 1), (4, 3), (5, 4)]) == {2, 3, 5}


def test_names_follow_each_other():
    """Merges chain, panels follow their mosaic, and a ring of names ends."""
    changes = TargetChanges({"A": "B", "B": "C", "X": "Y", "Y": "X"})
    assert changes.final("A") == "C"
    assert changes.final("A panel 2") == "C panel 2"
    assert changes.final("X") in ("X", "Y")
