"""Each migration carries real rows across."""

import json
import os
import re
import shutil
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
from sqlalchemy import select, text

from runlog.actions.open import open_store, settle_behind
from runlog.config import Settings
from runlog.store import models as m
from runlog.store import watch as watch_store
from runlog.store.engine import open_engine, reading, writing
from runlog.store.migrate import known_revisions, ready, upgrade
from samples.maker.quick import make_run
from tests.store.earlier import TAKEN_AWAY, as_before, rows_of, tables_of, take_back
from tests.tools import here, runlog, runlog_json, scan_into, write_run


@pytest.fixture
def scanned(tmp_path: Path) -> Path:
    """A database of four frames, one of them marked."""
    database = tmp_path / "night.sqlite"
    write_run(tmp_path / "frames", 4)
    scan_into(database, tmp_path / "frames")
    here(tmp_path, "mark", tmp_path / "frames" / "light_0001.fits", "reject")
    here(tmp_path, "nights")  # settles what follows from the mark
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
    assert as_before(after, before)["mark"] == before["mark"]
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
    """Frames, marks and sums go across; each run sums itself up, and a table is told once.

    Widths that were usual are of all frames alike, and are made anew from the frames stored.
    """
    before = take_back(
        scanned, "0008",
        ("INSERT INTO run_usual VALUES (1, 'L', 1, 2.5)", []),
        ("UPDATE frame SET grade = 'keep', auto_grade = 'keep' WHERE id = 2", []),
    )  # fmt: skip
    marked = before["mark"][0]["frame_id"]
    shutil.rmtree(tmp_path / "frames")  # no file is needed
    first = runlog(tmp_path, "nights")
    assert first.stderr.count("1 night has other grades now") == 1
    (line,) = [row for row in first.stderr.splitlines() if row.startswith("2026-10-09")]
    assert re.match(r"2026-10-09 +1 → 0 +5 min → 0 s +\d", line)
    assert "1 frame " in first.stderr.splitlines()[-1]
    after = tables_of(scanned)
    assert as_before(after, before)["mark"] == before["mark"]
    assert next(row["grade"] for row in after["frame"] if row["id"] == marked) == "reject"
    (summary,) = rows_of(scanned, "run_summary")
    assert (summary["filter"], summary["setting"], summary["frames"]) == (
        "L",
        "bin 1x1, gain 100",
        4,
    )
    assert rows_of(scanned, "run_before") == []
    assert runlog(tmp_path, "nights").stderr == ""


def test_0009_waits_with_its_table_until_all_is_graded(scanned):
    """What a grading that was cut off has not told yet is still there for the next command."""
    before = take_back(scanned, "0008", ("UPDATE run_sum SET effective_s = 123", []))
    carry_across(scanned)
    (was,) = rows_of(scanned, "run_before")
    grades = {i: grade for grade, own in json.loads(was["grades"]).items() for i in own}
    assert grades == {row["id"]: row["grade"] for row in before["frame"]}
    assert (was["effective_s"], was["by_one_frame"]) == (123, 1)
    assert was["kept_s"] == before["run_sum"][0]["kept_s"]


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
        ("UPDATE frame SET egain_e_adu = NULL WHERE id = (SELECT max(id) FROM frame "
         "WHERE grade = 'keep')", []),
        ("UPDATE run_sum SET effective_s = 4 * kept_s", []),
        ("INSERT INTO depth_reference SELECT 1, target, filter, content_key, 1, 1 FROM frame "
         "WHERE id = 1", []),
    )  # fmt: skip
    told = runlog(tmp_path, "--db", database, "totals", "--more")
    assert told.returncode == 0, told.stderr
    kept = before["run_sum"][0]["kept_s"]
    assert [row["kept_s"] for row in rows_of(database, "run_sum")] == [kept]
    assert as_before(tables_of(database), before)["mark"] == before["mark"]
    said = " ".join(told.stderr.split())
    assert "hours that changed by more than 3%" in said
    assert "1 h 40 min → " in said  # 4 x 25 min, as it was
    assert "measured by the best nights, no longer by one frame" in said
    assert "1 frame of unknown gain (e/ADU) not in it" in said
    assert max(map(len, told.stderr.splitlines()[1:])) <= 100, "it fits a terminal"
    assert rows_of(database, "run_before") == []
    assert runlog(tmp_path, "--db", database, "totals").stderr == ""
    (row,) = runlog_json(tmp_path, "--db", database, "totals")["rows"]
    assert 0.5 * kept < row["effective_s"] < 1.3 * kept


ODD = b"odd \xff\xfe: name.fits"
OLD_FILE = (
    "INSERT INTO file (path, size, mtime_ns, missing, read_at_utc) "
    "VALUES (?, 1, 1, 0, '2026-01-01 00:00:00')"
)


def where_files_are(database):
    """Write out where files are: (name of the root, path below it), by number."""
    names = {row["id"]: row["name"] for row in rows_of(database, "root")}
    return [(names[row["root_id"]], row["path"]) for row in rows_of(database, "file")]


def test_0011_names_roots_after_folders(scanned, tmp_path, monkeypatch):
    """The longest root wins, single files get their common folder, odd names stay legal bytes."""
    monkeypatch.setenv("RUNLOG_MACHINE", "shed")
    base = os.fsencode(tmp_path)
    inner = base + b"/frames/2026/Light"
    loose = [b"/single/a.fits", b"/single/sub/b.fits", b"/other/frames/c.fits", b"/frames-b/d.fits"]
    take_back(
        scanned, "0008",
        ("INSERT INTO root (path, scanned_at_utc) VALUES (?, '2026-01-02 00:00:00')", [inner]),
        *((OLD_FILE, [path]) for path in (inner + b"/" + ODD, *(base + end for end in loose))),
    )  # fmt: skip
    before = rows_of(scanned, "file")
    after = carry_across(scanned)
    assert [row["path"] for row in after["file"]] == [row["path"] for row in before]
    assert where_files_are(scanned)[4:] == [
        ("Light", ODD), ("single", b"a.fits"), ("single", b"sub/b.fits"),
        ("frames 2", b"c.fits"), ("frames-b", b"d.fits"),
    ]  # fmt: skip
    scanned_whole = {("frames", b"light_%04d.fits" % n) for n in range(4)}
    assert set(where_files_are(scanned)[:4]) == scanned_whole
    roots = {row["name"]: row for row in rows_of(scanned, "root")}
    names = {row["id"]: name for name, row in roots.items()}
    mounts = rows_of(scanned, "mount")
    whole = [names[at["root_id"]] for at in mounts if at["scanned_at_utc"]]
    assert whole == ["frames", "Light"]
    assert {at["machine"] for at in mounts} == {"shed"}
    assert roots["Light"]["origin"] == inner


def test_0011_reads_no_file_again(scanned, tmp_path):
    """What was scanned before the migration is known after it: under a root, and singly."""
    alone = write_run(tmp_path / "alone", 1, first=9)[0]
    scan_into(scanned, alone)
    take_back(scanned, "0008")
    report = scan_into(scanned, tmp_path / "frames", alone)
    assert (report.new, report.unchanged, report.duplicate) == (0, 5, 0)


def test_0011_on_a_server(empty_database, tmp_path):
    """Files and folders of a server's database are carried across, and new roots get numbers."""
    write_run(tmp_path / "frames", 2)
    engine = open_engine(empty_database)
    with writing(engine) as connection:
        upgrade(connection, "0008")
        connection.execute(
            text("INSERT INTO root (path, scanned_at_utc) VALUES (:path, now())"),
            {"path": os.fsencode(tmp_path / "frames")},
        )
        for path in (*(tmp_path / "frames").iterdir(), tmp_path / "gone" / os.fsdecode(ODD)):
            connection.execute(
                text(
                    "INSERT INTO file (path, size, mtime_ns, missing, read_at_utc) "
                    "VALUES (:path, :size, :time, false, now())"
                ),
                {
                    "path": os.fsencode(path),
                    "size": path.stat().st_size if path.exists() else 1,
                    "time": path.stat().st_mtime_ns if path.exists() else 1,
                },
            )
    ready(engine)
    with reading(engine) as connection:
        rows = connection.execute(select(m.root.c.name, m.file.c.path).join(m.file)).all()
        when = select(m.root.c.name, m.mount.c.scanned_at_utc).join(m.mount)
        scanned = {name for name, at in connection.execute(when) if at is not None}
    engine.dispose()
    assert scanned == {"frames"}
    wanted = [("frames", b"light_0000.fits"), ("frames", b"light_0001.fits"), ("gone", ODD)]
    assert sorted((name, bytes(path)) for name, path in rows) == wanted
    write_run(tmp_path / "more", 1, first=5)
    report = scan_into(empty_database, tmp_path / "frames", tmp_path / "more")
    assert (report.new, report.unchanged) == (1, 2)


def test_0012_counts_the_frames_that_ask(scanned):
    """What headers leave in doubt is counted by night; what others look at is not known yet."""
    one = '[{"code": "gain", "text": "odd", "cure": ""}]'
    take_back(
        scanned, "0008",
        ("UPDATE frame SET header_questions = ? WHERE id IN (1, 2)", [one]),
        ("UPDATE frame SET run_questions = ? WHERE id IN (2, 3)", [one]),
    )  # fmt: skip
    (run,) = carry_across(scanned)["run"]
    assert (run["asking"], run["shown"]) == (3, "")


def test_0013_counts_what_frames_were_taken_with(scanned):
    """Each run has, without being settled again, the rows that settling would write."""
    settled = rows_of(scanned, "run_shots")
    assert [(row["frames"], row["kept"]) for row in settled] == [(4, 0)]  # too few to grade
    take_back(
        scanned, "0012",
        ("UPDATE frame SET grade = 'keep' WHERE id IN (1, 2)", []),
        ("UPDATE frame SET grade = 'doubtful' WHERE id = 3", []),
    )  # fmt: skip
    carry_across(scanned)
    (row,) = rows_of(scanned, "run_shots")
    assert row == settled[0] | {"kept": 2, "doubtful": 1}


def test_0014_leaves_the_sky_to_be_reckoned(scanned, tmp_path):
    """A night of before is told as one settled since: what is not stored yet is reckoned."""
    (settled,) = rows_of(scanned, "run_sky")
    told = runlog_json(tmp_path, "night")
    assert told["dark_start_utc"].startswith(settled["dark_start_utc"].replace(" ", "T")[:19])
    take_back(scanned, "0013")
    carry_across(scanned)
    assert rows_of(scanned, "run_sky") == []
    assert runlog_json(tmp_path, "night") == told


def test_0016_keeps_what_runs_say_from_the_first_command_on(scanned, tmp_path):
    """What each run says to months of its rig is as settling would write it, without settling."""
    settled = rows_of(scanned, "run_series")
    assert len(settled) == 1
    (run,) = rows_of(scanned, "run")
    take_back(scanned, "0015")
    carry_across(scanned)
    assert rows_of(scanned, "run_series") == []
    runlog_json(tmp_path, "night")
    assert rows_of(scanned, "run_series") == settled
    assert rows_of(scanned, "run") == [run]


def test_0015_begins_to_keep_what_a_watch_says(scanned):
    """Nothing was looked at by a watch before; frames and marks stay, and looks can be kept."""
    before = take_back(scanned, "0014")
    tables = carry_across(scanned)
    new = [rows_of(scanned, f"watch_{name}") for name in ("look", "state", "told")]
    assert new == [[], [], []]
    tables = as_before(tables, before)
    assert (tables["frame"], tables["mark"]) == (before["frame"], before["mark"])
    engine = open_store(str(scanned), Settings())
    look = watch_store.FirstLook(1, datetime(2026, 10, 9, 22, tzinfo=UTC), "keep", ("trailed",))
    with writing(engine) as connection:
        watch_store.put_looks(connection, [look])
        watch_store.put_state(connection, 1, {"cloud": 3.5})
    with reading(engine) as connection:
        assert watch_store.looks_of_run(connection, 1) == {1: replace(look, faults=["trailed"])}
        assert watch_store.state_of(connection, 1) == {"cloud": 3.5}
    engine.dispose()


def test_0017_lets_every_mark_of_before_decide(scanned):
    """One person made them all: grades stay, goals are everybody's, nobody is a member."""
    mark = "INSERT INTO mark (frame_id, grade, who, at_utc) VALUES (1, 'keep', 'me', '2026-10-10')"
    goal = (
        "INSERT INTO goal (target, filter, form, value, priority, who, at_utc) "
        "VALUES ('M33', 'L', 'hours', 3.0, 5, 'me', '2026-10-10')"
    )
    before = take_back(scanned, "0016", (mark, []), (goal, []))
    tables = carry_across(scanned)
    assert [row.pop("decides") for row in tables["mark"]] == [1, 1]
    assert tables["mark"] == before["mark"]
    assert rows_of(scanned, "goal", "target, value, owner") == [
        {"target": "M33", "value": 3.0, "owner": None}
    ]
    assert rows_of(scanned, "member") == rows_of(scanned, "rig_member") == []


def test_0018_keeps_nothing_of_dust_yet(scanned):
    """Pairs of pictures are compared when they are asked about; what was there stays."""
    before = take_back(scanned, "0017")
    tables = carry_across(scanned)
    assert rows_of(scanned, "run_dust") == []
    assert as_before(tables, before) == before


def test_0019_lets_no_run_be_graded_alone_yet(scanned):
    """Whatever is behind is looked at as a whole, as before; what was there stays."""
    before = take_back(scanned, "0018", ("UPDATE run SET revision = revision + 1", []))
    tables = carry_across(scanned)
    assert [run.pop("heard_revision") for run in tables["run"]] == [-1] * len(tables["run"])
    assert tables == before


def test_0020_leaves_each_root_where_it_is_and_when_it_was_scanned(scanned):
    """Where a root is and when it was looked at stands as it stood; it is nobody's by name."""
    before = take_back(scanned, "0019")
    roots, mounts = rows_of(scanned, "root"), rows_of(scanned, "mount")
    assert carry_across(scanned) == before
    when = {root["id"]: root.pop("scanned_at_utc") for root in roots}
    assert any(when.values())
    assert rows_of(scanned, "root") == [root | {"login": ""} for root in roots]
    assert rows_of(scanned, "mount") == [
        at | {"login": "", "scanned_at_utc": when[at["root_id"]]} for at in mounts
    ]


def test_a_killed_migration_leaves_one_copy(scanned, tmp_path):
    """What was killed while it copied is cleared away, and what is copied already is kept once."""
    take_back(scanned, "0008")
    torn = tmp_path / "night.0008-20261010T000000000000Z.sqlite.unfinished"
    torn.write_bytes(b"half a copy")
    as_it_was = scanned.read_bytes()
    assert here(tmp_path, "nights").returncode == 0
    (copy,) = tmp_path.glob("night.0008-*")
    scanned.write_bytes(as_it_was)  # as the kill before the commit leaves it, beside its copy
    for side in ("-wal", "-shm"):
        scanned.with_name(scanned.name + side).unlink(missing_ok=True)
    assert here(tmp_path, "nights").returncode == 0
    assert list(tmp_path.glob("night.0008-*")) == [copy]
    assert rows_of(copy, "alembic_version") == [{"version_num": "0008"}]
