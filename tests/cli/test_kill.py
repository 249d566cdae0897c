"""Ctrl-C and kill -9: clean ends, no orphans, nothing counted twice or lost."""

import os
import random
import signal
import time

import pytest

from tests.killing import (
    integrity,
    killed_after,
    kin,
    orphans,
    scan_line,
    slow_migration_line,
    start,
)
from tests.tools import here, logged_s, noise, rows, runlog_json, write_frame, write_run

FRAMES = 40


@pytest.fixture(scope="module")
def many(tmp_path_factory):
    """Write forty frames that take two workers a few seconds."""
    folder = tmp_path_factory.mktemp("many")
    write_run(folder, FRAMES)
    for i in range(FRAMES):
        write_frame(folder / f"light_{i:04d}.fits", noise(i, (500, 600)),
                    DATE__OBS=f"2026-10-{10 + i // 20}T{i % 20:02d}:00:00")  # fmt: skip
    return folder


def complete(home, folder):
    """Scan once more and see that everything is there, once."""
    assert integrity(home / "night.sqlite") == "ok"
    done = here(home, "scan", folder, "--workers", "2")
    assert done.returncode == 0, done.stderr
    assert len(rows(home / "night.sqlite", "id")) == FRAMES
    assert logged_s(home / "night.sqlite") == FRAMES * 300
    assert integrity(home / "night.sqlite") == "ok"


def wait_for_frames(home, process, least):
    """Wait until a scan has stored some frames."""
    until = time.monotonic() + 30
    while process.poll() is None and time.monotonic() < until:
        if (home / "night.sqlite-wal").exists() and stored(home) >= least:
            return
        time.sleep(0.05)


def stored(home):
    """Count the frames stored so far, as any reader may while a scan writes."""
    import sqlite3

    connection = sqlite3.connect(home / "night.sqlite", timeout=5)
    try:
        return connection.execute("SELECT count(*) FROM frame").fetchone()[0]
    except sqlite3.OperationalError:  # no tables yet
        return 0
    finally:
        connection.close()


def test_ctrl_c_stops_cleanly(tmp_path, many):
    """Ctrl-C to the whole group: exit code 130, the frames in hand stored, a word to the person."""
    process, mark = start(tmp_path, scan_line(many))
    with process:
        wait_for_frames(tmp_path, process, 1)
        os.killpg(process.pid, signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert process.returncode == 130, err
    assert out == ""
    assert "Traceback" not in err
    assert "Stopping after the frames in hand" in err
    assert "Stopped early" in err
    assert not kin(mark)
    assert 0 < len(rows(tmp_path / "night.sqlite", "id")) < FRAMES
    complete(tmp_path, many)


@pytest.mark.parametrize("seconds", [0.6, 0.9, 1.2, 1.5])
def test_early_ctrl_c(tmp_path, many, seconds):
    """Ctrl-C while workers are still starting ends as cleanly: no traceback, no orphan."""
    process, mark = start(tmp_path, scan_line(many))
    with process:
        time.sleep(seconds)
        os.killpg(process.pid, signal.SIGINT)
        _, err = process.communicate(timeout=30)
    assert process.returncode == 130, err
    assert "Traceback" not in err, err
    assert not orphans(mark)


def test_two_ctrl_c(tmp_path, many):
    """A second Ctrl-C does not wait: exit code 130, and the next scan goes on."""
    process, mark = start(tmp_path, scan_line(many))
    with process:
        wait_for_frames(tmp_path, process, 1)
        os.killpg(process.pid, signal.SIGINT)
        time.sleep(0.02)
        os.killpg(process.pid, signal.SIGINT)
        _, err = process.communicate(timeout=30)
    assert process.returncode == 130, err
    assert "Traceback" not in err, err
    assert not orphans(mark)
    complete(tmp_path, many)


@pytest.mark.parametrize("whole_group", [False, True], ids=["parent", "group"])
def test_kill_in_the_middle_of_a_first_scan(tmp_path, many, whole_group):
    """Three kills -9 at random moments of one scan: no orphan, and the next scan completes."""
    moments = random.Random(int(whole_group) + 5)
    alive = [
        killed_after(tmp_path, scan_line(many), moments.uniform(0.4, latest), whole_group)
        for latest in (0.9, 2.0, 3.0)  # the first while it surely still runs
    ]
    assert any(alive)
    complete(tmp_path, many)


@pytest.mark.parametrize("whole_group", [False, True], ids=["parent", "group"])
def test_kill_in_the_middle_of_a_migration(tmp_path, whole_group):
    """Three kills -9 while the tables are made: all of them are there afterwards, or none was."""
    moments = random.Random(int(whole_group) + 9)
    alive = [
        killed_after(tmp_path, slow_migration_line(), moments.uniform(0.9, 1.7), whole_group)
        for _ in range(3)
    ]
    assert any(alive)
    assert integrity(tmp_path / "night.sqlite") == "ok"
    assert here(tmp_path, "scan", ".").returncode == 0
    assert runlog_json(tmp_path, "nights")["rows"] == []
    assert integrity(tmp_path / "night.sqlite") == "ok"
