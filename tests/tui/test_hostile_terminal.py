"""Hostile text on every screen of a real terminal: shown, never obeyed."""

import os
import shutil
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import insert, select, update

from runlog.store import models as m
from runlog.store.engine import open_engine, writing

from .test_morning import Terminal, terminal

__all__ = ["terminal"]  # a fixture, which pytest finds by its name here

pytestmark = pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed")
# Markup; then what a terminal obeys (ECMA-48, and the usual control sequences, from memory): a
# title, the clipboard, a colour that blinks, a question about the cursor, whose answer would be
# typed into the shell, the other screen, a device string, the C1 forms of two of them, a bell,
# tabs, lines; and bidi marks, an accent without a letter, a wide character, a format.
ORDERS = (
    "\x1b]0;OWNED\x07", "\x1b]2;OWNED\x1b\\", "\x1b]52;c;T1dORUQ=\x07", "\x1b[31;5m", "\x1b[6n",
    "\x1b[?1049l", "\x1bP$q\"p\x1b\\", "\x9b31m", "\x9d0;OWNED\x9c", "\x07\x08\x0b\x0c\x0e\x1bc",
    "\r\n\t", "\u202e\u2066\u200f\u2028",
)  # fmt: skip
MARK = "[bold red]"
ODD = f"{MARK}x[/][@click=app.quit]y[/]{''.join(ORDERS)}\u0301🌌%s{{0}}$(touch owned)"
COMMANDS = (
    "night", "frames --grade doubtful", "totals", "targets", "check", "note", "frames --csv",
    "export --doubtful", "totals --target nowhere",
)  # fmt: skip
RAW = [
    word.encode()
    for word in (*ORDERS[:5], *ORDERS[6:9], "\x07", "\x9b", "\x9d", "\u202e", "\u2028")
]
# The keys of each screen, and whether the names are to be seen there.
STEPS: tuple[tuple[tuple[str, ...], bool], ...] = (
    ((), True),  # the night
    (("e", "e"), True),
    (("t",), True),  # the time line
    (("Space",), True),
    (("Enter",), True),  # its picture
    (("Escape",), True),
    (("Escape",), True),
    (("c",), True),  # the calendar
    (("Left",), True),
    (("Escape",), True),
    (("2",), True),  # the frames
    (("Down", "o", "o", "O", "A", "End"), True),
    (("/", "x", "Escape"), True),
    (("Enter",), True),  # the picture
    (("b",), True),
    (("p",), True),
    (("c",), True),
    (("f",), True),  # reads the file, which is not there: its name is told
    (("n", "x", "Escape"), True),
    (("Escape",), True),
    (("3",), True),  # the doubtful ones
    (("w", "o", "e", "Space"), True),
    (("4",), True),  # the totals
    (("Down", "w", "g"), True),
    (("Escape",), True),
    (("Enter",), True),
    (("Escape",), True),
    (("T", "?"), False),  # the help
    (("Escape",), True),
    (("C-p", "n"), False),  # the commands
    (("Escape", "1"), True),
)


def plant(path: Path) -> None:
    """Put hostile text wherever the screens read text from, and into the files' names."""
    engine = open_engine(str(path))
    fault = {"name": "cloud", "grade": "doubtful", "evidence": ODD}
    question = {"code": "target", "text": ODD, "cure": ODD}
    with writing(engine) as connection:
        doubtful = m.frame.c.grade != "keep"
        names: dict[str, Any] = {"target": ODD, "target_raw": ODD, "filter": ODD, "note": ODD}
        asked = {"header_questions": [question], "run_questions": [question], "notes": [ODD]}
        connection.execute(update(m.frame).values(**names, **asked))
        connection.execute(update(m.frame).where(doubtful).values(faults=[fault]))
        connection.execute(update(m.rig).values(name=ODD, camera=ODD, telescope=ODD))
        connection.execute(update(m.root).values(name=ODD))
        for table in (m.run_sum, m.run_light, m.run_depth):
            key = {"filter": ODD + table.c.filter}
            key |= {"target": ODD + table.c.target} if "target" in table.c else {}
            connection.execute(update(table).values(**key))
        joined = "UPDATE file SET path = CAST(? || path AS BLOB)"
        connection.exec_driver_sql(joined, (ODD.replace("/", "|").encode(),))
        note = {"rig_id": 1, "night": "2026-10-16", "text": ODD, "who": ODD, "changed": True}
        when = connection.execute(select(m.file.c.read_at_utc).limit(1)).scalar_one()
        connection.execute(insert(m.rig_note).values(**note, at_utc=when))
    engine.dispose()


def settled(shell: Terminal) -> str:
    """Give what is on the screen once it has stopped changing."""
    deadline, before = time.monotonic() + 20, ""
    while time.monotonic() < deadline:
        time.sleep(0.25)
        now = shell.run("capture-pane", "-p", "-J")
        if now == before and now.strip():
            return now
        before = now
    raise AssertionError(f"it never stood still:\n{before}")


@pytest.mark.slow
def test_every_screen(
    terminal: Callable[[int, int], Terminal], database: Path, tmp_path: Path
) -> None:
    """Walk through all screens with hostile names: the bytes sent hold none of their orders."""
    plant(database)
    shell = terminal(180, 50)
    sent = tmp_path / "sent"
    title = shell.run("display-message", "-p", "#{pane_title}")
    root = Path(__file__).parents[2]
    run = f"{sys.executable} -m runlog --db {database}"
    for words in ("unset COLUMNS LINES", f"cd {tmp_path}", f"export PYTHONPATH={root}",
                  f"export XDG_STATE_HOME={tmp_path}", "echo rea''dy"):  # fmt: skip
        shell.send(words, "Enter")
    shell.until("ready")
    shell.run("pipe-pane", "-o", f"cat >{sent}")
    shell.send(run, "Enter")
    shell.until("Part by part", MARK)
    for keys, shown in STEPS:
        for key in keys:
            shell.send(key)
            time.sleep(0.15)
        words = settled(shell)
        assert not shown or MARK in words, (keys, words)
        assert "Traceback" not in words
    shell.run("set-buffer", "--", ODD.replace("\r\n", ""))
    shell.send("2", "/")
    shell.run("paste-buffer", "-p")  # what is pasted is shown, not obeyed, either
    shell.until("$(touch owned)")  # its end: the line is too long to be seen whole
    shell.send("Escape")
    settled(shell)
    shell.send("q")
    shell.until("$" if os.geteuid() else "#")
    for number, words in enumerate(COMMANDS):
        shell.send(f"clear; {run} {words}; echo do''ne {number}", "Enter")
        shell.until(f"done {number}")
    bytes_sent = sent.read_bytes().replace(b"\x1b]22;default\x07", b"")  # the pointer's shape
    assert bytes_sent.count(MARK.encode()) > len(STEPS) + len(COMMANDS)
    assert [raw for raw in RAW if raw in bytes_sent] == []
    assert bytes_sent.count(b"\x1b[?1049l") == 1  # on leaving
    assert shell.run("display-message", "-p", "#{pane_title}") == title
    assert shell.run("display-message", "-p", "#{window_bell_flag}").strip() == "0"
    assert not (tmp_path / "owned").exists()
