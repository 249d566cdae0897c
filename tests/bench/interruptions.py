"""Kill and Ctrl-C all that writes, at random moments: python -m tests.bench.interruptions.

A soak: how long each command takes undisturbed is measured, moments are drawn from its whole life
(a quarter of them from its last tenth), and after each strike the model of
`tests/interruptions/model.py` is asked what is wrong. Prints a row a command and signal, and every
fault with its moment; --seed draws others, --command WORD takes those whose name holds it.
"""

import argparse
import signal as signals
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from tests.interruptions import on_server
from tests.interruptions.cases import Case, cases
from tests.interruptions.rounds import rounds, told, undisturbed
from tests.interruptions.strike import Signal
from tests.interruptions.world import World


def main() -> int:
    """Run all rounds that are asked for; exit code 1 when something did not hold."""
    assert __doc__ is not None
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--times", type=int, default=40, help="of each signal")
    parser.add_argument("--command", default="", help="part of the name of a case")
    parser.add_argument("--exact", nargs="*", default=[], help="whole names of cases")
    every = [how.value for how in Signal]
    parser.add_argument("--signal", nargs="*", default=every, choices=every)
    parser.add_argument("--postgresql", action="store_true", help="on a server instead")
    asked = parser.parse_args()
    # A shell lets what it starts in the background not hear Ctrl-C; what is struck here must.
    signals.signal(signals.SIGINT, signals.default_int_handler)
    print("| command | signal | tried | held | seed |\n|---|---|---|---|---|", flush=True)
    with tempfile.TemporaryDirectory(prefix="interruptions-") as folder:
        return _all(Path(folder), asked)


def _all(folder: Path, asked: argparse.Namespace) -> int:
    if not asked.postgresql:
        world = World(folder)
        return int(bool(sum(_run(world, case, asked) for case in cases(world))))
    with on_server.struck_server() as server:
        there = on_server.ServerWorld(folder, server=server)
        return int(bool(sum(_run(there, case, asked) for case in on_server.cases(there))))


def _signals(case: Case, asked: argparse.Namespace) -> Iterator[Signal]:
    """Give the strikes that mean something to a command."""
    for signal in Signal:
        alone = signal is Signal.PARENT and not case.workers
        if signal.value in asked.signal and signal.restarts is asked.postgresql and not alone:
            yield signal


def _is_asked(case: Case, asked: argparse.Namespace) -> bool:
    return asked.command in case.name and (not asked.exact or case.name in asked.exact)


def _run(world: World, case: Case, asked: argparse.Namespace) -> int:
    """Strike one command by every signal that means something to it; counts what went wrong."""
    if not _is_asked(case, asked):
        return 0
    known = undisturbed(world, case)
    wrong = 0
    for signal in _signals(case, asked):
        tally = rounds(world, case, signal, asked.times, asked.seed, known)
        print(told(tally), flush=True)
        print(
            "".join(f"    {fault}\n" for fault in tally.wrong), end="", file=sys.stderr, flush=True
        )
        wrong += len(tally.wrong)
    return wrong


if __name__ == "__main__":
    sys.exit(main())
