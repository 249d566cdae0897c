"""No command that reads, marks or settles pays for libraries that only measuring needs."""

import json
import os
import subprocess
import sys
from itertools import pairwise

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
import json, runpy, sys
for words in json.loads(sys.argv[1]):
    sys.argv = ["runlog", *words]
    try:
        runpy.run_module("runlog", run_name="__main__")
    except SystemExit as stopped:
        assert stopped.code == 0, (words, stopped.code)
    print("HELD", json.dumps(sorted(sys.modules)), file=sys.stderr)
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


def loaded(lines, database):
    """Run commands one after another in one process; give the modules each brought in."""
    done = subprocess.run(
        [sys.executable, "-c", SPY, json.dumps(lines)],
        env=os.environ | {"RUNLOG_DB": str(database), "OMP_NUM_THREADS": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    said = [set(json.loads(line[5:])) for line in done.stderr.split("\n") if line[:5] == "HELD "]
    assert len(said) == len(lines), done.stderr
    return [now - before for before, now in pairwise([set(), *said])]


@pytest.fixture(scope="module")
def brought(database):
    """Give what each command brings into a process that none before it did."""
    path, key = database
    site = path.parent / "site.toml"
    site.write_text("[site]\nlatitude_deg = 50.1\nlongitude_deg = 14.4\n")
    lines = [[word.format(key=key, site=site) for word in line.split()] for line in COMMANDS]
    return dict(zip(COMMANDS, loaded(lines, path), strict=True))


@pytest.mark.parametrize("command", COMMANDS)
def test_a_command_that_reads_or_marks_holds_nothing_heavy(brought, command):
    """Guards seconds a command: one import at the top of a file brings measuring back to all."""
    assert "runlog" in brought[COMMANDS[0]]
    assert not brought[command] & {*HEAVY}


def test_help_holds_nothing_at_all(database):
    """Guards the quick answer of --help: neither database nor numbers."""
    lines = [["--help"], ["--version"], ["totals", "--help"]]
    held = set().union(*loaded(lines, database[0]))
    assert "runlog" in held
    assert not held & {*HEAVY, "sqlalchemy", "numpy", "rich"}
