"""The interface and the command at work on one database at once: no mark is ever lost."""

import asyncio
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import select

from runlog.actions.queue import doubtful_cases
from runlog.core.selection import Selection
from runlog.store import models as m
from runlog.store.engine import open_engine, reading
from runlog.store.marks import Mark, history

from .conftest import Running, press, rest
from .test_key_queue import type_at_once
from .test_morning import Terminal, terminal  # noqa: F401 - the second is a fixture

pytestmark = pytest.mark.settled
ROOT = Path(__file__).parents[2]


def command(database: Path, who: str, *arguments: str) -> tuple[list[str], dict[str, str]]:
    """The real command, as another person types it."""
    environment = os.environ | {"LOGNAME": who, "PYTHONPATH": str(ROOT)}
    return [sys.executable, "-m", "runlog", "--db", str(database), *arguments], environment


def as_anna(database: Path, *arguments: str) -> None:
    """Let her command run to its end."""
    words, environment = command(database, "anna", *arguments)
    subprocess.run(words, env=environment, cwd=ROOT, check=True, capture_output=True)


def keys_of_doubtful(database: Path, run_id: int) -> list[tuple[int, str]]:
    """The doubtful frames of a night: (id, key)."""
    engine = open_engine(str(database))
    ids = [case.head.identity.id for case in doubtful_cases(engine, Selection(run_id=run_id))]
    with reading(engine) as connection:
        query = select(m.frame.c.id, m.frame.c.content_key).where(m.frame.c.id.in_(ids))
        found = {row.id: row.content_key for row in connection.execute(query)}
    return [(i, found[i]) for i in ids]


def marks_of(database: Path, frame_id: int) -> list[Mark]:
    """Every mark ever made on a frame."""
    with reading(open_engine(str(database))) as connection:
        return list(history(connection, frame_id))


@pytest.mark.skipif(shutil.which("tmux") is None, reason="tmux is not installed")
def test_both_decide_and_both_take_back(
    terminal: Callable[[int, int], Terminal],  # noqa: F811
    database: Path,
    tmp_path: Path,
) -> None:
    """Each sees the other's marks within moments, and takes back only what is still one's own."""
    as_anna(database, "mark", keys_of_doubtful(database, 3)[-1][1], "auto")  # settles by the rules
    frames = keys_of_doubtful(database, 3)
    (first, first_key), (_, second_key) = frames[:2]
    left = [f"{n} of {len(frames)} left" for n in range(len(frames) + 1)][::-1]
    shell = terminal(80, 24)
    shell.send(f"cd {ROOT} && LOGNAME=mia XDG_STATE_HOME={tmp_path} {sys.executable} -m runlog "
               f"--db {database}", "Enter")  # fmt: skip
    shell.until("wait for your decision", "Part by part")
    shell.send("Enter")
    shell.until(left[0], "▀")
    shell.send("y")
    shell.until(left[1])
    as_anna(database, "mark", first_key, "reject", "--note", "trees")
    as_anna(database, "mark", second_key, "keep")
    shell.until(left[2])
    shell.send("u")
    shell.until("since marked by anna left alone")
    as_anna(database, "mark", second_key, "auto")
    shell.until(left[1])
    as_anna(database, "mark", first_key, "auto")
    shell.until(left[0])
    shell.send("y")
    shell.until(left[1])
    shell.send("u")
    shell.until(left[0])
    shell.send("q")
    told = [(mark.who, mark.grade) for mark in marks_of(database, first)]
    assert told[:3] == [("mia", "keep"), ("anna", "reject"), ("anna", "auto")]


async def test_at_the_same_moment(running: Running, database: Path) -> None:
    """Twelve decisions here and there at once, then both take theirs back at once: every mark
    stands in the history, each pointing at the one it replaced."""
    frames = keys_of_doubtful(database, 3)
    keys = [key for _, key in frames]

    async def anna(*arguments: str) -> int:
        words, environment = command(database, "anna", "mark", *arguments)
        ran = await asyncio.create_subprocess_exec(*words, env=environment, cwd=ROOT)
        return await ran.wait()

    async with running() as pilot:
        app: Any = pilot.app
        await press(pilot, "3")
        there = asyncio.create_task(anna(*keys, "reject"))
        for _ in frames:
            type_at_once(pilot, "y")
            await asyncio.sleep(0.1)
        assert await there == 0
        await rest(pilot)
        there = asyncio.create_task(anna(*keys, "auto"))
        for _ in frames:
            type_at_once(pilot, "u")
            await asyncio.sleep(0.1)
        assert await there == 0
        await rest(pilot)
        assert app.session.trouble == ""
    for frame_id, _ in frames:
        marks = marks_of(database, frame_id)
        assert [mark.undoes for mark in marks] == [None, *[mark.id for mark in marks[:-1]]]
        made = [(mark.who, mark.grade) for mark in marks]
        assert made.count(("mia", "keep")) == 1
        assert made.count(("anna", "reject")) == 1
        assert ("anna", "auto") in made
        assert made[-1] != ("mia", "keep")
