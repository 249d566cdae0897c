"""A clock that is set back or forward between commands: the end is that of a clock that runs."""

import json
from collections.abc import Iterator
from pathlib import Path
from random import Random

from tests.disks.full import first_difference
from tests.disks.world import World, run, run_as, said, wrong

LIBRARY = "faketime/libfaketimeMT.so.1"  # Debian: libfaketime
DAYS = (-1, 1, -400, 0, 3000, -0.04)
STEPS = (
    ("mark", "light_0002.fits", "reject"),
    ("mark", "light_0002.fits", "keep"),
    ("goal", "M33", "L", "5"),
    ("correct", "filter", "R", "light_0003.fits"),
    ("goal", "M33", "L", "4"),
    ("note", "new camera", "--date", "2026-10-09"),
    ("correct", "filter", "B", "light_0003.fits"),
    ("mark", "light_0000.fits", "doubtful"),
)


def library() -> str | None:
    """Find what tells a process another time; None where it is not installed."""
    places = sorted(Path("/usr/lib").glob(f"*/{LIBRARY}"))
    return str(places[0]) if places else None


def turned(world: World, draw: Random, times: int) -> Iterator[str]:
    """Do some steps under clocks that jump; the end is as if none had jumped."""
    lib = library()
    if lib is None:
        return
    calm = _done(world, [None] * len(STEPS), lib)
    for _ in range(times):
        days = [draw.choice(DAYS) for _ in STEPS]
        jumped = _done(world, days, lib)
        same = calm == jumped
        yield "" if same else f"clock {days}: {first_difference(calm, jumped)}"


def _done(world: World, days: "list[float | None] | list[float]", lib: str) -> tuple[str, ...]:
    place = world.place("clock")
    database = world.copy(place)
    for words, day in zip(STEPS, days, strict=True):
        env = {} if day is None else {"LD_PRELOAD": lib, "FAKETIME": f"{day * 24:+.2f}h"}
        fault = wrong(run_as((), database, *words, env=env))
        if fault:
            return (f"{words}: {fault}",) * 4
    first = run(database, "scan", world.more, home=place).returncode
    again = run_as((), database, "scan", env=env).stderr
    assert first == 0
    corrections = json.loads(run(database, "correct", "--list", "--json", home=place).stdout)
    kept = [{k: v for k, v in row.items() if k != "at_utc"} for row in corrections["rows"]]
    return (*said(database, place), json.dumps(kept), str("0 new" in again))
