"""No command that reads, marks or settles pays for libraries that only measuring needs."""

import os
import subprocess
import sys

import pytest

from tests.tui.nights import Wish, build

HEAVY = ("astropy", "photutils", "scipy", "runlog.measure", "alembic", "textual")
COMMANDS = (
    "totals", "totals --by night", "tonight --config {site}",
    "ahead --nights 5 --config {site}", "nights", "night", "frames", "forecast", "targets",
    "export", "calibration", "check", "policy show", "goal M31 Ha 10", "regrade", "targets log",
    "trends", "focus", "alignment", "roots", "correct --list",
    "correct filter OIII --filter Ha --dry-run",
    "mark {key} keep", "mark {key} auto",
)  # fmt: skip
SPY = """
import runpy, sys
sys.argv = ["runlog", *sys.argv[1:]]
try:
    runpy.run_module("runlog", run_name="__main__")
except SystemExit as stopped:
    assert stopped.code == 0, stopped.code
print("HELD", *sorted(sys.modules), file=sys.stderr)
"""


@pytest.fixture(scope="module")
def database(tmp_path_factory):
    """Make a database of two nights, and name one of its frames."""
    path = tmp_path_factory.mktemp("imports") / "nights.sqlite"
    engine = build(path, Wish(nights=2, frames=40))
    with engine.connect() as connection:
        key = connection.exec_driver_sql("SELECT min(content_key) FROM frame").scalar_one()
    engine.dispose()
    return path, key


def held(words, database):
    """Run a command in a process of its own; give the modules it held at its end."""
    done = subprocess.run(
        [sys.executable, "-c", SPY, *words],
        env=os.environ | {"RUNLOG_DB": str(database), "OMP_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert "HELD " in done.stderr, done.stderr
    return set(done.stderr.rsplit("HELD ", 1)[1].split())


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_that_reads_or_marks_holds_nothing_heavy(database, command):
    """Guards seconds a command: one import at the top of a file brings measuring back to all."""
    path, key = database
    site = path.parent / "site.toml"
    site.write_text("[site]\nlatitude_deg = 50.1\nlongitude_deg = 14.4\n")
    modules = held([word.format(key=key, site=site) for word in command.split()], path)
    assert "runlog" in modules
    assert not modules & {*HEAVY}


@pytest.mark.parametrize("words", [["--help"], ["--version"], ["totals", "--help"]])
def test_help_holds_nothing_at_all(database, words):
    """Guards the quick answer of --help: neither database nor numbers."""
    assert not held(words, database[0]) & {*HEAVY, "sqlalchemy", "numpy", "rich"}
