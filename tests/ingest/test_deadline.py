"""A file that takes too long is given up and named; nothing else suffers."""

import gzip
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from runlog.core.failures import FailureKind, kind_of_failure
from runlog.core.header.parse import HeaderRules
from runlog.ingest import deadline as d
from runlog.ingest.task import Limits, Task, read_file
from tests.tools import ROOT, noise, rows, runlog, runlog_json, write_frame, write_run


def test_a_frame_of_common_size_has_a_hundred_times_what_it_needs() -> None:
    """8 megapixels take 0.3 s (bench of this project); a larger frame is given more."""
    assert d.reading_s(16_000_000, 8_000_000) > 30
    assert d.reading_s(500_000_000, 250_000_000) > 1000


def test_what_runs_too_long_is_ended() -> None:
    """The timer ends whatever runs in Python, and leaves nothing behind."""
    before = signal.getsignal(signal.SIGALRM)
    with pytest.raises(d.OverdueError), d.deadline(1.0) as watch:
        assert watch is not None
        watch.give(0.05)
        time.sleep(5)
    assert signal.getsignal(signal.SIGALRM) is before
    assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)


def test_a_slow_file_is_named_in_this_process(tmp_path: Path) -> None:
    """Read without workers, as `runlog measure` does, a file is given up as well."""
    path = write_frame(tmp_path / "a.fits", noise(shape=(3000, 3000)))
    task = Task(os.fsencode(path), (path.name,), HeaderRules(), limits=Limits(patience=1e-4))
    outcome = read_file(task)
    assert "took longer than" in str(outcome.failure)
    assert kind_of_failure(str(outcome.failure)) is FailureKind.TOO_SLOW
    assert outcome.passing


LATE = "2026-10-10T02:00:00"


def test_a_slow_file_in_a_scan_costs_no_other(tmp_path: Path) -> None:
    """A large frame exhausts a very short patience and is named; a patient scan reads it."""
    folder = tmp_path / "frames"
    write_run(folder, 4)
    slow = write_frame(tmp_path / "slow.fits", noise(shape=(6000, 6000)), DATE__OBS=LATE)
    (folder / "slow.fits.gz").write_bytes(gzip.compress(slow.read_bytes(), 1))  # slow to unpack
    config = tmp_path / "own.toml"
    # Half a second for the large frame, which needs several.
    config.write_text("[scan]\npatience = 0.002\n")
    done = runlog(tmp_path, "--config", config, "scan", folder, "--workers", "2")
    assert done.returncode == 1
    (line,) = [line for line in done.stderr.splitlines() if "slow.fits" in line]
    assert "took longer than" in line
    assert runlog_json(tmp_path, "scan", folder)["failed"] == []
    assert len(rows(tmp_path / "night.sqlite", "content_key")) == 5


HANGS = """
import itertools, signal, sys
from runlog.ingest import deadline, task

def hanging(one):
    hangs = one.path.endswith(b"hangs")
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGALRM})  # deaf, as a library's loop is
    with deadline.deadline(1e-9 if hangs else 1.0, one.last_words) as watch:
        watch.give(1.0)
        if hangs:
            sum(itertools.repeat(0))  # no bytecode in between: no handler runs
    return task.Outcome(one.path, failure="read")
"""

HUNG = """
import sys
sys.path.insert(0, sys.argv[1])
from runlog.core.header.parse import HeaderRules
from runlog.ingest import alone
from runlog.ingest.task import Task
import hanging_reader
alone.read_file = hanging_reader.hanging
print(alone.read_alone(Task(b"hangs", (), HeaderRules())).failure)
print(alone.read_alone(Task(b"quick", (), HeaderRules())).failure)
"""


def test_a_worker_deaf_to_signals_is_ended(tmp_path: Path) -> None:
    """A reader that hangs in a library hears no signal: its process ends, and the file is named."""
    (tmp_path / "hanging_reader.py").write_text(HANGS)
    done = subprocess.run(
        [sys.executable, "-c", HUNG, str(tmp_path)],
        env={**os.environ, "PYTHONPATH": f"{ROOT}:{tmp_path}", "PYTHONSAFEPATH": "1"},
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.stdout.count("\n") == 2, done.stderr
    hung, quick = done.stdout.splitlines()
    assert "hung until its worker process was ended" in hung, done.stderr
    assert quick == "read"
