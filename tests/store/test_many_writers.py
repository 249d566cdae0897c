"""Several machines at one database: real processes that all want to write at once."""

import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier

import pytest
from sqlalchemy import case, func, select, update

from runlog.store import models as m
from runlog.store.engine import open_engine, reading, writing
from tests.tools import (
    argv,
    environment,
    logged_s,
    moment,
    noise,
    runlog_json,
    scan_into,
    write_frame,
    write_run,
)

MACHINES = 4
EXPOSURES = 12


def at_once(home: Path, database: Path | str, *lines: list[str]) -> None:
    """Run some commands beside each other; each must do what it was asked."""
    env = environment(home, RUNLOG_DB=str(database))
    pipe = subprocess.PIPE
    started = [
        subprocess.Popen(line, env=env, cwd=home, stdin=pipe, stdout=pipe, stderr=pipe, text=True)
        for line in lines
    ]
    for process in started:
        assert process.stdout is not None
        process.stdout.readline()  # all has been imported
    for process in started:  # and now all of them at once
        assert process.stdin is not None
        process.stdin.write("go\n")
        process.stdin.flush()
    said = [process.communicate(timeout=300)[1] for process in started]
    for process, words in zip(started, said, strict=True):
        assert process.returncode == 0, words


# The command without workers of its own, whose start would take most of the time, and with a
# slow transaction for all files, so that the writers meet.
SCAN = """
import sys, time
from sqlalchemy import event
from sqlalchemy.engine import Engine
import runlog.actions.scan as scanning
import runlog.actions.settle, runlog.ingest.read, runlog.cli.scan
from runlog.cli import main
scanning.FEW, scanning.BATCH_SECONDS = 1000, 1000.0
sys.argv = ["runlog", "scan", sys.argv[1]]

@event.listens_for(Engine, "after_cursor_execute")
def slowly(connection, cursor, statement, *more):
    if statement.startswith("INSERT INTO frame"):
        time.sleep(0.1)

print("ready", flush=True)
sys.stdin.readline()
main()
"""


def scanning(folder: Path) -> list[str]:
    """Give the command line of a scan that takes its time to write."""
    return [argv()[0], "-c", SCAN, str(folder)]


def test_all_may_start_at_once_on_nothing(tmp_path, nothing):
    """Of several machines that find no tables, one makes them and all go on; nothing is lost."""
    for machine in range(MACHINES):
        write_run(tmp_path / f"m{machine}", 2, first=2 * machine)
    lines = [scanning(tmp_path / f"m{machine}") for machine in range(MACHINES)]
    at_once(tmp_path, nothing, *lines)
    assert logged_s(nothing) == MACHINES * 2 * 300


def test_all_may_open_a_new_file_at_once(tmp_path):
    """Guards the change to WAL, for which SQLite itself waits for nobody: 6 at once, 40 times."""
    for turn in range(40):
        gate = Barrier(6)

        def opened(path: str, gate: Barrier = gate) -> int:
            engine = open_engine(path)
            gate.wait()
            with reading(engine) as connection:
                found: int = connection.execute(select(1)).scalar_one()
            engine.dispose()
            return found

        with ThreadPoolExecutor(6) as threads:
            assert sum(threads.map(opened, [str(tmp_path / f"{turn}.sqlite")] * 6)) == 6


@pytest.mark.both_databases
def test_two_scans_of_one_folder(tmp_path, database):
    """Two machines that scan the same frames end with one frame each, and neither fails."""
    write_run(tmp_path / "frames", EXPOSURES)
    line = scanning(tmp_path / "frames")
    at_once(tmp_path, database, line, line)
    assert logged_s(database) == EXPOSURES * 300


def write_pairs(home: Path) -> None:
    """Write raw frames and calibrated copies whose headers lost telescope and pixel size."""
    for i in range(EXPOSURES):
        start = moment(i * 312)
        raw = noise(i)
        write_frame(home / "raw" / f"{i}.fits", raw, DATE__OBS=start)
        lost = dict.fromkeys(("TELESCOP", "XPIXSZ", "YPIXSZ", "FOCALLEN"))
        calibrated = raw.astype("f4") - 0.5
        write_frame(home / "cal" / f"{i}.fits", calibrated, DATE__OBS=start, CALSTAT="BD", **lost)


@pytest.mark.both_databases
def test_copies_stored_by_two_writers_count_once(tmp_path, database):
    """One stores raw frames, one their copies, which fall into another run: each counts once."""
    write_pairs(tmp_path)
    at_once(tmp_path, database, scanning(tmp_path / "raw"), scanning(tmp_path / "cal"))
    assert logged_s(database) == EXPOSURES * 300
    engine = open_engine(str(database))
    with reading(engine) as connection:
        counts = select(m.frame.c.counted, func.count()).group_by(m.frame.c.counted)
        assert dict(connection.execute(counts).all()) == {True: EXPOSURES, False: EXPOSURES}
        assert connection.execute(select(func.count()).select_from(m.run)).scalar_one() == 2
    engine.dispose()


@pytest.mark.both_databases
def test_check_heals_what_counts_twice(tmp_path, database):
    """Exposures that two writers of an earlier version counted twice are found, told and healed."""
    write_pairs(tmp_path)
    scan_into(database, tmp_path / "raw", tmp_path / "cal")
    engine = open_engine(str(database))
    with writing(engine) as connection:
        connection.execute(update(m.frame).values(counted=True))
        connection.execute(update(m.run).values(revision=m.run.c.revision + 1))
    engine.dispose()
    assert logged_s(database) == 2 * EXPOSURES * 300
    (found,) = [r for r in runlog_json(tmp_path, "check")["rows"] if r["about"] == "exposures"]
    assert found["text"].startswith(f"{EXPOSURES} frames counted besides another")
    assert "each exposure counts once now" in found["cure"]
    assert logged_s(database) == EXPOSURES * 300
    again = runlog_json(tmp_path, "check")["rows"]
    assert not [r for r in again if r["about"] == "exposures"]
    assert counted_by_telescope(database) == {"Ladybird 90/540": EXPOSURES, None: 0}


def counted_by_telescope(database: Path | str) -> dict[str | None, int]:
    """Count the frames that count, by the telescope their headers name."""
    engine = open_engine(str(database))
    frames = m.frame.join(m.run).join(m.rig)
    many = func.sum(case((m.frame.c.counted, 1), else_=0))
    query = select(m.rig.c.telescope, many).select_from(frames).group_by(m.rig.c.telescope)
    with reading(engine) as connection:
        found = {row[0]: row[1] for row in connection.execute(query)}
    engine.dispose()
    return found
