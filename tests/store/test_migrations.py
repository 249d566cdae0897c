"""Each migration carries real rows across."""

import json
import shutil
from pathlib import Path

import pytest

from runlog.actions.open import open_store, settle_behind
from runlog.config import Settings
from runlog.store.engine import open_engine
from runlog.store.migrate import known_revisions, ready
from samples.maker.quick import make_run
from tests.store.earlier import TAKEN_AWAY, as_before, rows_of, tables_of, take_back
from tests.tools import here, runlog_json, scan_into, write_run


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
    for row in (*before["frame"], *before["run_sum"]):
        for name in TAKEN_AWAY:
            row.pop(name, None)  # reckoned against references, when it is read
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


def test_0009_sums_runs_up_and_says_what_changed(scanned, tmp_path):
    """Frames, marks and sums go across; each run sums itself up, and a changed night is told once.

    Widths that were usual are of all frames alike, and are made anew from the frames stored.
    """
    before = take_back(
        scanned, "0008",
        ("INSERT INTO run_usual VALUES (1, 'L', 1, 2.5)", []),
        ("UPDATE frame SET grade = 'keep', auto_grade = 'keep' WHERE id = 2", []),
    )  # fmt: skip
    marked = before["mark"][0]["frame_id"]
    first = here(tmp_path, "nights")
    assert "1 of 1 night is graded otherwise now; your marks stand, and no file" in first.stderr
    (line,) = [row for row in first.stderr.splitlines() if "2026-10-09" in row]
    assert "1 (5 min) → 0 (0 s)" in line
    after = tables_of(scanned)
    assert after["mark"] == before["mark"]
    assert next(row["grade"] for row in after["frame"] if row["id"] == marked) == "reject"
    (summary,) = rows_of(scanned, "run_summary")
    assert (summary["filter"], summary["setting"], summary["frames"]) == (
        "L",
        "bin 1x1, gain 100",
        4,
    )
    assert rows_of(scanned, "run_before") == []
    assert "graded otherwise" not in here(tmp_path, "nights").stderr


def test_0009_waits_with_its_table_until_all_is_graded(scanned):
    """What a grading that was cut off has not told yet is still there for the next command."""
    take_back(scanned, "0008")
    carry_across(scanned)
    (was,) = rows_of(scanned, "run_before")
    assert (was["keep"] + was["doubtful"] + was["ungraded"], was["reject"]) == (3, 1)


def test_0010_drops_frozen_references_and_tells_which_hours_change(tmp_path):
    """Hours by one frozen frame become hours by nights, from what is stored; a table says which.

    Files are away; marks stand. A frame without gain counted then, and is unknown now.
    """
    database, frames = tmp_path / "db.sqlite", tmp_path / "frames"
    make_run(frames, frames=6, size=(300, 400))
    scan_into(database, frames)
    here(tmp_path, "--db", database, "mark", sorted(frames.iterdir())[1], "reject")
    shutil.rmtree(frames)
    before = take_back(
        database, "0008",
        ("UPDATE frame SET effective_s = 4 * exposure_s, effective_form = 'point'", []),
        ("UPDATE frame SET pedestal_adu = 500, header_pedestal_adu = 500", []),
        ("UPDATE frame SET egain_e_adu = NULL WHERE id = 3", []),
        ("UPDATE run_sum SET effective_s = 4 * kept_s", []),
        ("INSERT INTO depth_reference SELECT 1, target, filter, content_key, 1, 1 FROM frame "
         "WHERE id = 1", []),
    )  # fmt: skip
    told = here(tmp_path, "--db", database, "totals", "--more")
    assert told.returncode == 0, told.stderr
    kept = before["run_sum"][0]["kept_s"]
    assert [row["kept_s"] for row in rows_of(database, "run_sum")] == [kept]
    assert tables_of(database)["mark"] == before["mark"]
    assert "Hours that this version reckons otherwise" in told.stderr
    assert "1 h 40 min" in told.stderr  # 4 x 25 min, as it was
    assert "1 frame of unknown gain (e/ADU) not in it" in told.stderr
    assert rows_of(database, "hours_before") == []
    assert "reckons otherwise" not in here(tmp_path, "--db", database, "totals").stderr
    (row,) = runlog_json(tmp_path, "--db", database, "totals")["rows"]
    assert 0.5 * kept < row["effective_s"] < 1.3 * kept
