"""Tables at 80, 120 and 200 columns, in a pseudo terminal."""

import os
import pty
import re
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress

import pytest

from tests.tools import argv, database_of, environment, here, noise, runlog, write_frame

LISTED = [
    "totals", "frames", "nights", "forecast", "targets", "calibration", "totals --by night",
    "losses",
]  # fmt: skip
WIDTHS = [60, 80, 120, 200]


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """Scan two nights of two targets, one with a goal, with file names of the usual length."""
    home = tmp_path_factory.mktemp("widths")
    for number in range(6):
        start = f"2026-10-{8 + number // 3:02}T20:{number}0:00"
        target = "M33" if number % 2 else "NGC7000_Panel2"
        cards = {"DATE__OBS": start, "OBJECT": target, "FILTER": "Ha"}
        name = f"{target}_Ha_300s_gain100_{number:04}.fits"
        write_frame(home / "nights" / name, noise(number), **cards)
    assert here(home, "scan", home / "nights").returncode == 0
    assert here(home, "mark", "keep", "--since", "2026-10-01", "--yes").returncode == 0
    assert here(home, "goal", "M33", "Ha", "12").returncode == 0
    return home


def in_a_terminal(home, columns, *words):
    """Run the real command with a terminal of some width as its stdout."""
    ours, theirs = pty.openpty()
    env = environment(home, RUNLOG_DB=database_of(home), COLUMNS=str(columns), TERM="dumb")
    with (
        tempfile.TemporaryFile() as errors,
        subprocess.Popen(argv(*words), env=env, stdout=theirs, stderr=errors, cwd=home) as process,
    ):
        os.close(theirs)
        text = _all_of(ours)
        process.wait()
        errors.seek(0)
        said = errors.read().decode()
    assert process.returncode == 0, said
    return text, said


def on_a_terminal(home, columns, *words):
    """Run the command in this process, with a terminal of some width as its stdout."""
    ours, theirs = pty.openpty()
    with ThreadPoolExecutor(1) as reader:
        read = reader.submit(_all_of, ours)
        with open(theirs, "w") as terminal:
            env = {"COLUMNS": str(columns), "TERM": "dumb"}
            done = here(home, *words, env=env, stdout=terminal)
        text = read.result()
    assert done.returncode == 0, done.stderr
    return text


def _all_of(ours):
    text = b""
    with open(ours, "rb", buffering=0) as terminal, suppress(OSError):  # nobody writes any more
        while more := terminal.read(65536):
            text += more
    return text.decode().replace("\r\n", "\n")


@pytest.mark.skipif(sys.platform == "win32", reason="pseudo terminals are not there")
@pytest.mark.parametrize("words", LISTED)
@pytest.mark.parametrize("columns", WIDTHS)
def test_a_table_is_a_table_at_every_width(home, words, columns):
    """No line is wider than the terminal, and rows stand below a heading."""
    text = on_a_terminal(home, columns, *words.split())
    lines = text.rstrip("\n").split("\n")
    assert max(map(len, lines)) <= columns
    assert sum(line.startswith("───") for line in lines) >= 1  # a heading's rule: no paragraphs


@pytest.mark.parametrize("columns", WIDTHS)
def test_what_matters_stays(home, columns):
    """Guards the order in which columns go: kept, goal and to go, key and grade are the last."""
    totals, said = in_a_terminal(home, columns, "totals")
    head = totals.split("\n")[0].split()
    assert {"target", "filter", "kept", "goal"} <= set(head) and "to go" in totals
    frames, told = in_a_terminal(home, columns, "frames")
    assert {"key", "UTC", "grade"} <= set(frames.split("\n")[0].split())
    assert ("No room for" in said + told) is (columns < 200)


def test_no_word_is_broken(home):
    """Each word of a narrow table is one of the wide table, or a name cut with a sign."""
    wide = set(runlog(home, "forecast").stdout.split())
    narrow = in_a_terminal(home, 60, "forecast")[0].split()
    assert {word for word in narrow if "…" not in word and not word.startswith("─")} <= wide


def test_a_pipe_has_everything(home):
    """What another program reads loses no column, unless COLUMNS asks for a width."""
    head = runlog(home, "totals").stdout.split("\n")[0]
    assert re.search(r"frames to go\s+nights$", head)
    assert len(runlog(home, "totals", env={"COLUMNS": "70"}).stdout.split("\n")[0]) <= 70


def test_commands_to_be_typed_are_never_wrapped(home):
    """At 60 columns a question's command is on one line, however long, as is a goal's hint."""
    here(home, "correct", "target", "Andromeda Galaxy field", "--night", "2026-10-09")
    here(home, "correct", "--undo")
    text, _ = in_a_terminal(home, 60, "night")
    assert "to set one: runlog goal TARGET FILTER HOURS\n" in text
    text, _ = in_a_terminal(home, 60, "check")
    for line in text.split("\n"):
        assert not line.rstrip().endswith("runlog"), line  # cut behind its first word
