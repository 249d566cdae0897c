"""Kill scans and migrations at random moments and see what is left: python -m tests.bench.kill.

Twenty kills -9 of each kind by default: a first scan, its parent alone and its whole group; a
migration, likewise. Each round starts from nothing; after the kill no process may live on, the
next command must end with exactly the frames on disk, the right sums and a whole database.
"""

import argparse
import json
import random
import subprocess
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

from tests.killing import integrity, killed_after, scan_line, slow_migration_line
from tests.tools import argv, environment, noise, write_frame

FRAMES = 40
LENGTH_S = 300.0


def main() -> int:
    """Run all rounds and print a line a kind."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    wanted = parser.parse_args()
    moments = random.Random(wanted.seed)
    worst = 0
    with tempfile.TemporaryDirectory() as folder:
        frames = write_frames(Path(folder) / "frames")
        for name, kill in kinds(frames).items():
            worst += run_rounds(name, kill, wanted.rounds, moments, Path(folder))
    return int(bool(worst))


Kill = Callable[[Path, float], bool]


def kinds(frames: Path) -> dict[str, tuple[Kill, Callable[[Path], str], float]]:
    """Give each kind of kill: how, how to look afterwards, and the latest moment in seconds."""

    def scan(whole_group: bool) -> Kill:
        return lambda home, s: killed_after(home, scan_line(frames), s, whole_group)

    def migration(whole_group: bool) -> Kill:
        return lambda home, s: killed_after(home, slow_migration_line(), s, whole_group)

    return {
        "scan, parent alone": (scan(False), lambda home: scanned(home, frames), 3.5),
        "scan, whole group": (scan(True), lambda home: scanned(home, frames), 3.5),
        "migration, parent alone": (migration(False), migrated, 2.0),
        "migration, whole group": (migration(True), migrated, 2.0),
    }


def run_rounds(
    name: str,
    kind: tuple[Kill, Callable[[Path], str], float],
    rounds: int,
    moments: random.Random,
    base: Path,
) -> int:
    """Run the rounds of one kind; returns how many went wrong."""
    kill, look, latest_s = kind
    alive, wrong = 0, []
    for number in range(rounds):
        home = base / f"{name.replace(' ', '-')}-{number}"
        home.mkdir()
        after_s = moments.uniform(0.2, latest_s)
        try:
            alive += kill(home, after_s)
            fault = look(home)
        except AssertionError as error:
            fault = str(error)
        if fault:
            wrong.append(f"    after {after_s:.2f} s: {fault}")
    print(f"{name:<26} {rounds} kills, {alive} while it ran, {len(wrong)} wrong", flush=True)
    print("\n".join(wrong) + "\n" if wrong else "", end="", flush=True)
    return len(wrong)


def write_frames(folder: Path) -> Path:
    """Write frames that keep two workers busy for a few seconds."""
    for i in range(FRAMES):
        start = f"2026-10-{10 + i // 20}T{i % 20:02d}:00:00"
        write_frame(folder / f"light_{i:04d}.fits", noise(i, (240, 320)), DATE__OBS=start)
    return folder


def ask(home: Path, *words: str) -> "subprocess.CompletedProcess[str]":
    """Run the command to its end."""
    env = environment(home, RUNLOG_DB=str(home / "night.sqlite"))
    return subprocess.run(argv(*words), env=env, capture_output=True, text=True, timeout=120)


def scanned(home: Path, frames: Path) -> str:
    """Scan again; says what is wrong, "" when nothing is."""
    before = integrity(home / "night.sqlite")
    done = ask(home, "scan", str(frames), "--workers", "2")
    listed = json.loads(ask(home, "frames", "--json").stdout)["rows"]
    logged_s = sum(r["logged_s"] for r in json.loads(ask(home, "totals", "--json").stdout)["rows"])
    found = {
        "integrity after the kill": (before, "ok"),
        "exit code": (done.returncode, 0),
        "frames": (len({row["path"] for row in listed}), FRAMES),
        "rows": (len(listed), FRAMES),
        "logged": (logged_s, FRAMES * LENGTH_S),
        "integrity": (integrity(home / "night.sqlite"), "ok"),
    }
    return _differences(found) + (done.stderr if done.returncode else "")


def migrated(home: Path) -> str:
    """Open again; says what is wrong, "" when nothing is."""
    before = integrity(home / "night.sqlite")
    done = ask(home, "scan", ".")
    found = {
        "integrity after the kill": (before, "ok"),
        "exit code": (done.returncode, 0),
        "integrity": (integrity(home / "night.sqlite"), "ok"),
    }
    return _differences(found) + (done.stderr if done.returncode else "")


def _differences(found: dict[str, tuple[object, object]]) -> str:
    return "; ".join(f"{k} is {got}, not {want}" for k, (got, want) in found.items() if got != want)


if __name__ == "__main__":
    sys.exit(main())
