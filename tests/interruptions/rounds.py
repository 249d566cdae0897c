"""Strike one command again and again, and hold each time against the model."""

import json
import random
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from threading import Thread
from typing import Any

from tests.interruptions import model
from tests.interruptions.cases import INTERFACE, LINKS, Case
from tests.interruptions.dump import books, meaning
from tests.interruptions.interface import Interface
from tests.interruptions.model import Whole
from tests.interruptions.strike import Signal, Struck, moment_s, strike
from tests.interruptions.world import World
from tests.tools import here

AFTER_S = 0.6  # that keys are pressed on after a strike
MEASURED = 2  # times that an undisturbed command is timed
LISTED = 20  # once in so many strikes, all listings are asked for
LONGEST_S = 180.0
DRAWS = 4  # for one strike in time, so many may come too late


@dataclass(slots=True)
class Tally:
    """How one command did under one kind of strike."""

    case: str
    signal: str
    seed: int
    whole_s: float
    tried: int = 0
    early: int = 0  # before its first line
    wrong: list[str] = field(default_factory=list)

    @property
    def held(self) -> int:
        """Count the strikes after which all was well."""
        return self.tried - len(self.wrong)


def undisturbed(world: World, case: Case) -> tuple[Whole, float]:
    """Run a command to its end a few times; gives what it leaves and how long it takes."""
    took = []
    for _ in range(MEASURED):
        home = world.home(case.start, "struck")
        if case.interface:
            assert not Interface(world, home).leave()
        database = world.database(home)
        before = books(database) if world.has_tables(home) else {}
        began = time.monotonic()
        done = _to_the_end(world, case, home)
        took.append(time.monotonic() - began)
    assert done.returncode in (0, 1), done.stderr
    means = meaning(database)  # before listings settle anything
    after = books(database)
    before = {name: before.get(name, []) for name in after}
    links, beside = model.links_in(home / LINKS), model.files_beside(home)
    said = model.listings(_asking(world, home))
    whole = Whole(before, after, means, said, links, beside, done.returncode)
    return whole, min(took)


def _to_the_end(world: World, case: Case, home: Path) -> "subprocess.CompletedProcess[str]":
    """Run a command as it is struck later, but leave it alone."""
    process, _ = world.begin(home, *case.words, loaded=case.is_short)
    out, err = process.communicate(timeout=LONGEST_S)
    return subprocess.CompletedProcess(case.words, process.returncode, out, err)


def rounds(
    world: World, case: Case, signal: Signal, times: int, seed: int, known: tuple[Whole, float]
) -> Tally:
    """Strike a command so many times while it runs."""
    whole, whole_s = known
    tally = Tally(case.name, signal.value, seed, whole_s)
    drawn = random.Random(f"{seed} {case.name} {signal.value}")
    for _ in range(times * DRAWS):
        if tally.tried == times:
            break
        listed = tally.tried % LISTED == 0
        at_s = moment_s(whole_s, drawn)
        struck, wrong = one_round(world, case, signal, at_s, whole, listed=listed)
        whole_s *= _nearer(struck, at_s / whole_s)
        tally.tried += struck.in_time
        if wrong:
            tally.tried += not struck.in_time
            tally.wrong.append(f"at {struck.at_s:.3f} s: {'; '.join(wrong)}")
    return tally


def _nearer(struck: Struck, share: float) -> float:
    """Come nearer to how long a command lives, which hangs on how busy the machine is."""
    if struck.in_time and share > 0.95:
        return 1.05
    return 0.85 if not struck.in_time and share < 0.95 else 1.0


def one_round(
    world: World, case: Case, signal: Signal, at_s: float, whole: Whole, *, listed: bool
) -> tuple[Struck, list[str]]:
    """Strike once, look, run the command again, and look again; gives what is wrong."""
    home = world.home(case.start, "struck")
    if case.interface:
        struck, wrong = _beside_interface(world, case, home, signal, at_s)
        marks = {"mark": books(world.database(home))["mark"]}  # held against the keys already
        whole = replace(whole, before={**whole.before, **marks}, after={**whole.after, **marks})
    else:
        started = world.begin(home, *case.words, loaded=case.is_short)
        others = [world.begin(home, *case.beside)] if case.beside else []
        struck = strike(*started, signal, at_s, world.restart)
        wrong = [w for other, _ in others for w in _ended_well(other)]
    copy = world.copied(home)
    wrong += model.after_strike(case, world, struck, copy, whole, _asking(world, copy))
    again = _again(world, case, home, in_a_process=listed)
    means = meaning(world.database(home))
    wrong += model.after_next(case, world, again.returncode, again.stderr, home, whole, means,
                              _asking(world, home), listed=listed)  # fmt: skip
    return struck, wrong


def _again(
    world: World, case: Case, home: Path, *, in_a_process: bool
) -> "subprocess.CompletedProcess[str]":
    """Run the same command line once more; mostly in this process, which is much quicker.

    What has processes of its own, or was struck beside the interface, always has its own.
    """
    if in_a_process or not case.is_short:
        return world.ask(home, *case.words)
    return here(home, *case.words, env=_env(world, home))


def _env(world: World, home: Path) -> dict[str, str]:
    return {"RUNLOG_DB": world.database(home), "TMPDIR": str(home / "tmp")}


def _beside_interface(
    world: World, case: Case, home: Path, signal: Signal, at_s: float
) -> tuple[Struck, list[str]]:
    """Strike a scan while the interface marks, or the interface while a scan runs."""
    interface = Interface(world, home)
    scan = world.begin(home, *case.words)
    marking = Thread(target=interface.mark_for, args=(at_s + AFTER_S,))
    marking.start()
    itself = case.interface == INTERFACE
    struck = strike(*(interface.started if itself else scan), signal, at_s)
    marking.join()
    if not itself or not struck.in_time:
        return struck, [wrong for wrong in (interface.leave(),) if wrong]
    wrong = [*_ended_well(scan[0]), *interface.wrong_after(struck.signal.is_heard)]
    return struck, [*wrong, *(w for w in (Interface(world, home).leave(),) if w)]


def _ended_well(other: Any) -> Iterator[str]:
    """See that a command beside the one struck goes on to its end."""
    _, err = other.communicate(timeout=LONGEST_S)
    if other.returncode not in (0, 1) or "Traceback" in err:
        yield f"the other ended with {other.returncode}: {err.strip()[-300:]}"


def _asking(world: World, home: Path) -> model.Ask:
    """Give what asks a home's database for a listing."""

    def listing(name: str) -> Any:
        done = here(home, name, "--json", env=_env(world, home))
        assert done.returncode in (0, 2), f"{name}: {done.stderr}"
        said = done.stdout.replace(world.database(home), "DATABASE").replace(str(home), "HOME")
        return json.loads(said) if done.returncode == 0 else done.stderr

    return listing


def told(tally: Tally) -> str:
    """Write a tally as a row of the table."""
    return (f"| {tally.case} | {tally.signal} | {tally.tried} | {tally.held} | {tally.seed} |"
            )  # fmt: skip
