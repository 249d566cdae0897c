"""A disk that is full at a random point: words, nothing lost, and with room the same end."""

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path
from random import Random

from tests.disks.world import (
    World,
    close,
    may_mount,
    remount,
    run,
    said,
    small_disk,
    unsaid,
    wrong,
)
from tests.store.earlier import take_back
from tests.tools import argv, environment

ENOUGH = "size=60m"
OLD = "0008"
OUTPUT = (("frames", "--csv"), ("totals",), ("export", "--json"), ("night",), ("--help",))


def commands(world: World, disk: Path) -> dict[str, tuple[str | Path, ...]]:
    """Give what writes into the database, and what beside it."""
    return {
        "scan": ("scan", world.more),
        "mark": ("mark", "light_0002.fits", "reject"),
        "regrade": ("regrade",),
        "correct": ("correct", "filter", "R", "light_0003.fits"),
        "note": ("note", "new camera", "--date", "2026-10-09"),
        "goal": ("goal", "M33", "R", "2"),
        "migration": ("totals",),
        "export": ("export", "--links", disk / "tree"),
    }


def full(world: World, draw: Random, times: int) -> Iterator[str]:
    """Fill the disk at a random point of each command that writes."""
    if not may_mount():
        yield from ()
        return
    calm = {name: _calm(world, name) for name in commands(world, Path())}
    for _ in range(times):
        for name in calm:
            yield _one(world, draw, name, calm[name])


def _calm(world: World, name: str) -> tuple[str, ...]:
    place = world.place("calm")
    database = _start(world, place, name)
    run(database, *commands(world, place)[name], home=place)
    return said(database, place)


def _start(world: World, folder: Path, name: str) -> Path:
    database = world.copy(folder)
    if name == "migration":
        take_back(database, OLD)
        close(database)
    return database


def _one(world: World, draw: Random, name: str, calm: tuple[str, ...]) -> str:
    ground = world.place("full")
    with small_disk(ground / "disk", 4000) as disk:
        database = _start(world, disk, name)
        words = commands(world, disk)[name]
        used_kb = -(-shutil.disk_usage(disk).used // 1024)
        room_kb = draw.randrange(0, 400 if name == "scan" else 160)
        remount(disk, f"size={used_kb + room_kb + 1}k")
        first = run(database, *words, home=ground)
        fault = unsaid(first) if first.returncode else wrong(first)
        remount(disk, ENOUGH)
        again = run(database, *words, home=ground) if first.returncode else first
        fault = fault or wrong(again) or _other_end(name, calm, said(database, ground))
    return fault and f"full {name}, {room_kb} kB of room: {fault}"


def _other_end(name: str, calm: tuple[str, ...], now: tuple[str, ...]) -> str:
    return "" if calm == now else f"the end is another: {name}: {first_difference(calm, now)}"


def first_difference(calm: tuple[str, ...], now: tuple[str, ...]) -> str:
    """Show the first line that differs."""
    for before, after in zip(calm, now, strict=True):
        for one, other in zip(before.splitlines(), after.splitlines(), strict=False):
            if one != other:
                return f"{one.strip()} / {other.strip()}"
    return f"{[len(text) for text in calm]} characters / {[len(text) for text in now]}"


def output(world: World, _draw: Random, times: int) -> Iterator[str]:
    """Send what a command writes to a device that is always full."""
    place = world.place("output")
    database = world.copy(place)
    for _ in range(times):
        for words in OUTPUT:
            with open("/dev/full", "w") as sink:
                done = subprocess.run(
                    argv("--db", str(database), *words), stdout=sink, stderr=subprocess.PIPE,
                    text=True, env=environment(place), check=False, timeout=100,
                )  # fmt: skip
            lines = done.stderr.splitlines()
            held = done.returncode == 3 and len(lines) == 2 and "written whole" in lines[0]
            yield "" if held else f"output {words}: {done.returncode} {done.stderr[-300:]}"


def limited(world: World, draw: Random, times: int) -> Iterator[str]:
    """Let no file grow beyond a random size, as a quota does."""
    import resource

    size = world.base.stat().st_size
    calm = _calm(world, "scan")
    for _ in range(times):
        place = world.place("limit")
        database = world.copy(place)
        most = draw.randrange(size // 2, size + 300_000)

        def limit(most: int = most) -> None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (most, resource.RLIM_INFINITY))

        words = commands(world, place)["scan"]
        first = run(database, *words, home=place, preexec_fn=limit)
        fault = unsaid(first) if first.returncode else ""
        again = run(database, *words, home=place)
        fault = fault or wrong(again) or _other_end("limit", calm, said(database, place))
        yield fault and f"limit of {most} bytes: {fault}"
