"""A whole morning in a real terminal: from `runlog` to the shell's prompt, by keys alone."""

import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from runlog.actions.queue import doubtful_cases
from runlog.core.selection import Selection
from runlog.store.engine import open_engine

pytestmark = pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed")
PATIENCE_S = 30.0


class Terminal:
    """A tmux session of its own server, so that nobody's own is touched."""

    def __init__(self, folder: Path, columns: int, lines: int) -> None:
        self.socket = str(folder / "tmux")
        self.run("new-session", "-d", "-x", str(columns), "-y", str(lines), "sh")

    def run(self, *arguments: str) -> str:
        done = subprocess.run(
            ["tmux", "-S", self.socket, "-f", os.devnull, *arguments],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        return done.stdout

    def seen(self) -> str:
        return self.run("capture-pane", "-p")

    def send(self, *keys: str) -> None:
        self.run("send-keys", *keys)

    def until(self, *wanted: str) -> str:
        deadline = time.monotonic() + PATIENCE_S
        while time.monotonic() < deadline:
            words = self.seen()
            if all(word in words for word in wanted):
                return words
            time.sleep(0.05)
        raise AssertionError(f"{wanted} never came:\n{self.seen()}")


@pytest.fixture
def terminal(tmp_path: Path) -> Iterator[Callable[[int, int], Terminal]]:
    """Open a terminal; it is closed afterwards."""
    opened: list[Terminal] = []

    def open_one(columns: int, lines: int) -> Terminal:
        opened.append(Terminal(tmp_path, columns, lines))
        return opened[-1]

    yield open_one
    for each in opened:
        each.run("kill-server")


def test_a_whole_morning(
    terminal: Callable[[int, int], Terminal], database: Path, tmp_path: Path
) -> None:
    """Open, read the night, decide all twelve, look at totals and frames, set a goal, leave."""
    shell = terminal(80, 24)
    root = Path(__file__).parents[2]
    shell.send(f"cd {root} && XDG_STATE_HOME={tmp_path} {sys.executable} -m runlog --db {database}",
               "Enter")  # fmt: skip
    shell.until("4 h 40 min kept", "12 frames wait for your decision", "Part by part")
    shell.send("Enter")
    shell.until("12 of 12 left", "▀")
    for at, key in enumerate("yryryryryry"):
        shell.send(key)
        shell.until(f"{11 - at} of 12 left")
    shell.send("r")
    shell.until("all 12 decided")
    shell.send("u")
    shell.until("1 of 12 left")
    shell.send("r")
    shell.until("all 12 decided")
    shell.send("4")
    shell.until("NGC 7023", "no goal")
    shell.send("g", "2", "0", "Enter")
    shell.until("20 h 00 min wanted", "░")
    shell.send("2", "/")
    shell.send(*"mine", "Enter")
    shell.until("12 frames", "keep *", "reject *")
    shell.send("Enter")
    shell.until("FWHM", "UTC", "▀")
    shell.run("resize-window", "-x", "20", "-y", "5")
    time.sleep(0.3)
    shell.run("resize-window", "-x", "80", "-y", "24")
    shell.send("Escape")  # not at once with the next key: terminals take that for Alt
    shell.until(" find ")
    shell.send("q")
    shell.until("$" if os.geteuid() else "#")
    assert "Traceback" not in shell.seen()
    grades = [
        case.head.judgement.grade
        for case in doubtful_cases(open_engine(str(database)), Selection(run_id=3))
    ]
    assert {"keep", "reject"} >= set(grades)
