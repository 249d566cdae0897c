"""Databases and folders that another user may read but not write, and read-only disks."""

import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from random import Random

from tests.disks.world import (
    READERS,
    World,
    another_user,
    may_mount,
    remount,
    run_as,
    small_disk,
    unsaid,
)
from tests.store.earlier import take_back

WRITERS = (
    ("mark", "light_0002.fits", "reject"),
    ("goal", "M33", "R", "2"),
    ("note", "new camera", "--date", "2026-10-09"),
    ("correct", "filter", "R", "light_0003.fits"),
    ("regrade",),
)


def denied(world: World, draw: Random, times: int) -> Iterator[str]:
    """Run every command as another user: reading goes on, writing is refused; nothing changes."""
    prefix = another_user()
    if prefix is None:
        return
    for n in range(times):
        place = world.place("denied")
        place.chmod(0o755)
        database = world.copy(place)
        database.chmod(0o644)
        if n % 2:
            place.chmod(0o777)  # a folder may be written where the database may not
        yield from _each(world, prefix, database, draw)


def sealed(world: World, draw: Random, times: int) -> Iterator[str]:
    """Run every command on a disk that is mounted read-only, as root."""
    if not may_mount():
        return
    for _ in range(times):
        with small_disk(world.place("sealed") / "disk", 4000) as disk:
            database = world.copy(disk)
            remount(disk, "ro")
            yield from _each(world, (), database, draw)


def _each(world: World, prefix: Sequence[str], database: Path, draw: Random) -> Iterator[str]:
    before = database.read_bytes()
    writers = [*WRITERS, ("scan", str(world.more))]
    for words in [(name,) for name in READERS] + draw.sample(writers, 3):
        done = run_as(prefix, database, *words)
        if len(words) > 1 or words[0] == "regrade":
            fault = unsaid(done, named=database)
        else:
            fault = _unread(done.returncode, done.stdout, done.stderr)
        fault = fault or ("" if database.read_bytes() == before else "the database was changed")
        yield fault and f"{words} on {database.parent.name}: {fault}"


def _unread(code: int, out: str, err: str) -> str:
    return "" if code == 0 and out and "Traceback" not in err else f"{code}: {err[-400:]}"


def sealed_behind(world: World, draw: Random, times: int) -> Iterator[str]:
    """Open a database of earlier tables where no copy of it can be made: refused, and left so."""
    prefix = another_user()
    if prefix is None:
        return
    for _ in range(times):
        place = world.place("behind")
        database = world.copy(place)
        take_back(database, draw.choice(("0005", "0008", "0011")))
        place.chmod(0o755)
        database.chmod(draw.choice((0o644, 0o666)))
        before = database.read_bytes()
        for words in (("totals",), ("scan", str(world.more))):
            fault = unsaid(run_as(prefix, database, *words), named=place)
            same = database.read_bytes() == before and os.listdir(place) == [database.name]
            yield fault or ("" if same else f"left behind: {os.listdir(place)}")
