"""Each migration carries real rows across."""

import json
from pathlib import Path

import pytest

from runlog.actions.open import open_store, settle_behind
from runlog.config import Settings
from runlog.store.engine import open_engine
from runlog.store.migrate import known_revisions, ready
from samples.maker.quick import make_run
from tests.store.earlier import as_before, rows_of, tables_of, take_back
from tests.tools import here, scan_into, write_run


@pytest.fixture
def scanned(tmp_path: Path) -> Path:
    """A database of four frames, one of them marked."""
    database = tmp_path / "night.sqlite"
    write_run(tmp_path / "frames", 4)
    scan_into(database, tmp_path / "frames")
    here(tmp_path, "mark", tmp_path / "frames" / "light_0001.fits", "reject")
    return database


def carry_across(database):
    """Open a database, which migrates it; gives its tables and nothing more is done."""
    ready(open_engine(str(database))).dispose()
    assert rows_of(database, "alembic_version")[0]["version_num"] == known_revisions()[-1]
    return tables_of(database)


@pytest.mark.parametrize("revision", known_revisions()[:-1])
def test_every_revision_keeps_every_row(scanned, revision):
    """Frames, marks, sums, files, headers and stars of each earlier version stay as they are."""
    before = take_back(scanned, revision)
    assert len(before["frame"]) == 4
    assert len(before["mark"]) == 1
    after = as_before(carry_across(scanned), before)
    for row in (*before["run"], *after["run"]):
        row.pop("revision")  # raised where what is new must be settled
    assert after == before


def test_0002_adds_hot_pixels(scanned):
    """Hot pixels of frames measured before are unknown."""
    take_back(scanned, "0001")
    assert [row["hot_pixels_ppm"] for row in carry_across(scanned)["frame"]] == [None] * 4


def test_0003_drops_verdicts_of_frames_on_themselves(scanned, tmp_path):
    """A frame rejected for a glitch by an earlier version is graded anew without it, marks kept.

    Its rows are unknown until it is measured again; then they are looked at.
    """
    glitch = "bands: the level of whole rows jumps by up to 1 ADU"
    fault = {"name": "readout", "grade": "reject", "evidence": glitch}
    before = take_back(
        scanned, "0002",
        ("UPDATE frame SET readout = ?, measured_with = 2", [glitch]),
        ("UPDATE frame SET faults = ?", [json.dumps([fault])]),
    )  # fmt: skip
    assert here(tmp_path, "nights").returncode == 0
    after = tables_of(scanned)
    assert after["mark"] == before["mark"]
    assert [(row["readout"], row["signs"]) for row in after["frame"]] == [(None, None)] * 4
    assert not any("readout" in row["faults"] for row in after["frame"])
    here(tmp_path, "scan", "--remeasure")
    again = rows_of(scanned, "frame")
    assert [row["signs"] for row in again] == ["{}"] * 4
    assert all(row["measured_with"] >= 3 for row in again)


def test_0004_finds_fields_when_settled(tmp_path):
    """Frames matched by name keep places and marks, and are settled again to find their fields."""
    database, frames = tmp_path / "db.sqlite", tmp_path / "frames"
    make_run(frames, frames=4, size=(300, 400))
    scan_into(database, frames)
    here(tmp_path, "--db", database, "mark", sorted(frames.iterdir())[1], "reject")
    found = rows_of(database, "frame")
    before = take_back(database, "0002")
    after = carry_across(database)
    assert [row["best_of_name"] for row in after["frame"]] == [None] * 4
    assert after["run"][0]["revision"] > before["run"][0]["revision"]
    engine = open_store(str(database), Settings())
    settle_behind(engine, Settings())
    engine.dispose()
    again = rows_of(database, "frame")
    one = {"best_of_name": before["frame"][0]["matched_to"], "field_runs": 1}
    assert [{name: row[name] for name in one} for row in again] == [one] * 4
    unlike = {
        name
        for old, new in zip(found, again, strict=True)
        for name in old
        if old[name] != new[name]
    }
    assert unlike <= {"signs", "peak_adu"}, (
        "what only the pixels tell waits for another measurement"
    )


def test_0005_keeps_the_scale_that_was_known(tmp_path):
    """Frames of before keep their plate scale: 206.264806 x 3.76 um / 540 mm = 1.43622."""
    database = tmp_path / "db.sqlite"
    write_run(tmp_path / "frames", 2)
    write_run(tmp_path / "others", 2, first=2, FOCALLEN=None)
    scan_into(database, tmp_path / "frames")
    scan_into(database, tmp_path / "others")
    take_back(database, "0002")
    scales = [row["arcsec_per_px"] for row in carry_across(database)["frame"]]
    assert scales == [pytest.approx(1.43622, abs=1e-5)] * 2 + [None] * 2


def test_0006_keeps_the_streaks_that_were_seen(scanned):
    """Streaks of a database of before are those seen, and stay published; none is no list."""
    one = "[[1.0, 2.0, 30.5, 40.0]]"
    take_back(
        scanned, "0002",
        ("UPDATE frame SET streaks = ? WHERE id = 2", [one]),
        ("UPDATE frame SET streaks = NULL WHERE id = 3", []),
    )  # fmt: skip
    after = carry_across(scanned)["frame"]
    assert [row["streaks_seen"] for row in after] == [None, one, None, None]
    assert [row["streaks"] for row in after][1:3] == [one, None]


def test_0008_leaves_peaks_of_before_unknown(scanned):
    """How high stars stood is told only by their pixels: unknown until they are measured again."""
    take_back(scanned, "0007")
    assert [row["peak_adu"] for row in carry_across(scanned)["frame"]] == [None] * 4


def test_0010_counts_the_frames_that_ask(scanned):
    """What headers leave in doubt is counted by night; what others look at is not known yet."""
    one = '[{"code": "gain", "text": "odd", "cure": ""}]'
    take_back(
        scanned, "0008",
        ("UPDATE frame SET header_questions = ? WHERE id IN (1, 2)", [one]),
        ("UPDATE frame SET run_questions = ? WHERE id IN (2, 3)", [one]),
    )  # fmt: skip
    (run,) = carry_across(scanned)["run"]
    assert (run["asking"], run["shown"]) == (3, "")
