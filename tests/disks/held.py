"""A database that another program holds."""

import sqlite3
import subprocess
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from random import Random
from threading import Timer

from tests.disks.world import World, run, unsaid, wrong

A_MINUTE_S = 60.0
SHOWN = "Waiting for another program"


def held(world: World, draw: Random, times: int) -> Iterator[str]:
    """Hold the database for a minute or less: the wait is told, then the command goes on."""
    for n in range(times):
        yield hold_for(world, draw, A_MINUTE_S if n == 0 else draw.uniform(3, 8))


def hold_for(world: World, draw: Random, seconds: float) -> str:
    """Hold a database for some seconds while a command wants to write."""
    place = world.place("held")
    database = world.copy(place)
    words = draw.choice(
        (("goal", "M33", "R", "2"), ("mark", "light_0002.fits", "reject"), ("scan", world.more))
    )
    holder = sqlite3.connect(database, isolation_level=None, check_same_thread=False)
    with closing(holder):
        holder.execute("BEGIN EXCLUSIVE")
        timer = Timer(seconds, holder.execute, ["ROLLBACK"])
        timer.start()
        began = time.monotonic()
        reader = run(database, "totals", home=place)
        read_s = time.monotonic() - began
        done = run(database, *words, home=place)
        waited_s = time.monotonic() - began
        timer.join()
    fault = wrong(reader) or wrong(done)
    if not fault and waited_s - read_s > 4 and SHOWN not in done.stderr:
        fault = f"{waited_s:.0f} s without a word: {done.stderr!r}"
    if not fault and waited_s < seconds:
        fault = "it did not wait"
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
    import sys

    from tests.tools import environment

    code = (
        "import sys; from runlog.store import engine; engine.BUSY_TIMEOUT_MS = 5000;"
        "from runlog.cli import main; main()"
    )
    line = [sys.executable, "-c", code, "--db", str(database), *words]
    return subprocess.run(
        line, env=environment(place), cwd=place, capture_output=True, text=True, timeout=60,
        check=False,
    )  # fmt: skip
