"""What Windows lacks is done without: simulated here, as far as it can be."""

import multiprocessing
import os
import signal
import subprocess
import sys

from runlog.config import Settings
from runlog.ingest import paths
from runlog.ingest.deadline import deadline
from runlog.ingest.pool import pool
from runlog.ingest.task import Task, read_file
from tests.tools import ROOT, write_run

ABSENT = """
import sys
import psutil  # has code of its own for each system
for name in ("fcntl", "termios", "tty", "pwd", "grp", "resource"):
    sys.modules[name] = None  # importing it fails, as where there is no such module
import signal
for name in ("setitimer", "pthread_sigmask", "SIGALRM", "ITIMER_REAL"):
    delattr(signal, name)
import runlog.cli, runlog.actions.scan, runlog.actions.check, runlog.ingest.read
import runlog.tui.app, runlog.tui.terminal
"""


def test_workers_are_spawned_where_nothing_forks(tmp_path, monkeypatch):
    """Without a fork server workers start by spawn, and read frames all the same."""
    monkeypatch.setattr(multiprocessing, "get_all_start_methods", lambda: ["spawn"])
    (path,) = write_run(tmp_path, 1)
    task = Task(os.fsencode(path), (path.name,), Settings().rules)
    with pool(1) as executor:
        assert executor.submit(read_file, task).result(timeout=120).frame is not None


def test_imports_without_what_only_posix_has(tmp_path):
    """Neither the command nor a scan needs a module or signal that Windows lacks."""
    done = subprocess.run(
        [sys.executable, "-c", ABSENT], cwd=ROOT, capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr


def test_no_watch_where_there_is_no_timer(monkeypatch):
    """Without a timer's signal a file is read without a limit of time, rather than not at all."""
    monkeypatch.delattr(signal, "setitimer")
    with deadline(1.0) as watch:
        assert watch is None


def test_paths_are_stored_alike(monkeypatch):
    """A path of Windows is stored with / between its parts, which is where all else splits it."""
    monkeypatch.setattr(os, "sep", "\\")
    assert paths.slashed(b"D:\\nights\\a b.fits") == b"D:/nights/a b.fits"
    monkeypatch.undo()
    assert paths.slashed(b"/nights/a\\b.fits") == b"/nights/a\\b.fits"  # a legal name elsewhere
