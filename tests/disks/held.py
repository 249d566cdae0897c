"""A database that another program holds."""

import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from random import Random

from tests.disks.world import World, run, unsaid, wrong
from tests.tools import argv, environment

A_MINUTE_S = 60.0
SHOWN = "Waiting for another program"


def held(world: World, draw: Random, times: int) -> Iterator[str]:
    """Hold the database for a minute or less: the wait is told, then the command goes on."""
    for n in range(times):
        yield hold_for(world, draw, A_MINUTE_S if n == 0 else draw.uniform(3, 8))


def hold_for(world: World, draw: Random, seconds: float) -> str:
    """Hold a database until a command has said that it waits, and for some seconds in all."""
    place = world.place("held")
    database = world.copy(place)
    words = draw.choice(
        (("goal", "M33", "R", "2"), ("mark", "light_0002.fits", "reject"), ("scan", world.more))
    )
    with closing(sqlite3.connect(database, isolation_level=None)) as holder:
        holder.execute("BEGIN EXCLUSIVE")
        began = time.monotonic()
        fault = wrong(run(database, "totals", home=place))
        with subprocess.Popen(
            argv("--db", str(database), *words), env=environment(place), cwd=place, text=True,
            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE,
        ) as waiting:  # fmt: skip
            assert waiting.stderr is not None
            told = waiting.stderr.readline()
            time.sleep(max(0.0, began + seconds - time.monotonic()))
            early = waiting.poll()
            holder.execute("ROLLBACK")
            rest = waiting.stderr.read()
        code = waiting.returncode
    if not fault and (SHOWN not in told or early is not None):
        fault = f"it did not wait, or said nothing: {told!r}"
    if not fault and (code != 0 or "Traceback" in rest):
        fault = f"exit code {code}: {rest[-300:]}"
    return fault and f"held for {seconds:.0f} s, {words[0]}: {fault}"


def held_on(world: World, draw: Random, times: int) -> Iterator[str]:
    """Hold it for longer than anything waits: it says so and ends; then it goes on."""
    for _ in range(times):
        place = world.place("held-on")
        database = world.copy(place)
        words = draw.choice((("goal", "M33", "R", "2"), ("mark", "light_0002.fits", "reject")))
        with closing(sqlite3.connect(database, isolation_level=None)) as holder:
            holder.execute("BEGIN EXCLUSIVE")
            done = _impatient(database, words, place)
            holder.execute("ROLLBACK")
        fault = unsaid(done, named=database) or wrong(run(database, *words, home=place))
        if SHOWN not in done.stderr:
            fault = fault or "the wait was not told"
        yield fault and f"held on, {words}: {fault}"


def _impatient(
    database: Path, words: tuple[str, ...], place: Path
) -> "subprocess.CompletedProcess[str]":
    """Run a command that waits five seconds rather than two minutes."""
    code = (
        "import sys; from runlog.store import engine; engine.BUSY_TIMEOUT_MS = 5000;"
        "from runlog.cli import main; main()"
    )
    line = [sys.executable, "-c", code, "--db", str(database), *words]
    return subprocess.run(
        line, env=environment(place), cwd=place, capture_output=True, text=True, timeout=60,
        check=False,
    )  # fmt: skip
