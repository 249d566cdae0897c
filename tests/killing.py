"""Kill the command at some moment and see what it leaves behind; tests and the soak use it."""

import os
import secrets
import signal
import sqlite3
import subprocess
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

import psutil

from tests.tools import argv, environment

MARKER = "RUNLOG_TEST_MARK"  # every descendant inherits it, whatever its parent becomes
GRACE_S = 8.0


def start(
    home: Path,
    words: Sequence[str],
    env: Mapping[str, str] | None = None,
    terminal: int | None = None,
) -> tuple["subprocess.Popen[str]", str]:
    """Start a command in a process group of its own, marked so that its kin can be found."""
    mark = secrets.token_hex(8)
    usual = environment(home, RUNLOG_DB=str(home / "night.sqlite"))
    env = {**(env or usual), MARKER: mark}
    process = subprocess.Popen(
        words,
        env=env,
        cwd=home,
        stdin=terminal,
        stdout=subprocess.PIPE if terminal is None else terminal,
        stderr=subprocess.PIPE if terminal is None else terminal,
        text=True,
        start_new_session=True,
    )
    return process, mark


def kin(mark: str) -> list[int]:
    """List the living processes that carry a mark."""
    found = []
    for process in psutil.process_iter():
        try:
            if process.environ().get(MARKER) == mark and process.status() != psutil.STATUS_ZOMBIE:
                found.append(process.pid)
        except (psutil.Error, OSError):
            continue
    return found


def kill(process: "subprocess.Popen[str]", whole_group: bool) -> bool:
    """Kill with SIGKILL; False when it had ended before."""
    alive = process.poll() is None
    if alive and whole_group:
        os.killpg(process.pid, signal.SIGKILL)
    elif alive:
        process.kill()
    process.wait()
    return alive


def orphans(mark: str) -> list[int]:
    """List what still lives a few seconds after the parent died; they have time to notice."""
    until = time.monotonic() + GRACE_S
    while (left := kin(mark)) and time.monotonic() < until:
        time.sleep(0.1)
    return left


def killed_after(home: Path, words: Sequence[str], seconds: float, whole_group: bool) -> bool:
    """Run a command, kill it after a while, and see that nobody is left; True when it was alive."""
    process, mark = start(home, words)
    with process:
        time.sleep(seconds)
        alive = kill(process, whole_group)
    left = orphans(mark)
    assert not left, f"{len(left)} processes outlive their parent"
    return alive


def integrity(database: Path) -> str:
    """Ask SQLite whether its file is whole."""
    if not database.exists():
        return "ok"
    connection = sqlite3.connect(database)
    try:
        return str(connection.execute("PRAGMA integrity_check").fetchone()[0])
    finally:
        connection.close()


def scan_line(folder: Path) -> list[str]:
    """Give the command line of a scan with two workers."""
    return argv("scan", folder, "--workers", "2")


SLOW_MIGRATION = """
import sys, time
from sqlalchemy import event
from sqlalchemy.engine import Engine

@event.listens_for(Engine, "before_cursor_execute")
def slowly(connection, cursor, statement, *more):
    if statement.lstrip().startswith(("CREATE", "INSERT INTO alembic")):
        time.sleep(0.05)

from runlog.cli import main
sys.argv = ["runlog", "scan", "."]
main()
"""


def slow_migration_line() -> list[str]:
    """Give a command line that migrates an empty database slowly: over a second of tables."""
    return [argv()[0], "-c", SLOW_MIGRATION]
