"""Spoilt files beside good ones: scan them with the real command and hold what is promised."""

import json
import random
import sqlite3
from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits

from runlog.core.failures import FailureKind, kind_of_failure
from tests.faults import bases, explosives, mutants
from tests.faults.mutants import Must
from tests.faults.watching import Watched, line_of, watched
from tests.tools import moment, write_frame

BOMBS = "bombs"
PER_FOLDER = 100
GOOD_EVERY = 25  # so many files to a good one
# What a programmer would recognise and a person would not.
PYTHON = (
    "Traceback", "object at", "NoneType", "None", "attribute", "dtype", "buffer", "astropy",
    "numpy", "Exception", "Error(", "self.", "()", "codec",
)  # fmt: skip
LOOKS = (("frames",), ("night",), ("nights",), ("totals",), ("check",), ("targets",),
         ("calibration",), ("regrade",))  # fmt: skip


@dataclass(slots=True)
class Trial:
    """What was laid out, and everything that did not hold."""

    seed: int
    good: list[Path] = field(default_factory=list)
    laid: dict[Path, tuple[str, Must]] = field(default_factory=dict)
    broken: dict[str, list[str]] = field(default_factory=lambda: defaultdict(list))
    ended: dict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    scan: Watched | None = None

    def fault(self, kind: str, words: str) -> None:
        """Note something that did not hold."""
        self.broken[kind].append(words)


def run(home: Path, seed: int, count: int, bombs: int, workers: int = 2) -> Trial:
    """Lay files out under `home`, scan them, look at everything that is promised."""
    trial = Trial(seed)
    folder = home / "frames"
    lay_good(trial, folder, max(count // GOOD_EVERY, 12))
    alone = home / "alone"
    alone.mkdir()
    before = scan(alone, folder, workers)
    if before.code:
        trial.fault("good files", f"alone: exit code {before.code}: {before.err}")
    lay_mutants(trial, folder, count)
    lay_bombs(trial, folder, bombs)
    trial.scan = scan(home, folder, workers)
    judge(trial, home, alone, folder)
    return trial


def scan(home: Path, folder: Path, workers: int) -> Watched:
    """Scan a folder."""
    return watched(home, "scan", folder, "--workers", str(workers), "--json")


# --- laying out -----------------------------------------------------------------------------


def lay_good(trial: Trial, folder: Path, count: int) -> None:
    """Write good frames of a rig and target of their own, spread over the folders."""
    for i in range(count):
        place = folder / f"{i % max(count // 4, 1):03d}" / f"{i * 37 % 100:04d}_good_{i}.fits"
        write_frame(place, bases.sky(10_000 + i), DATE__OBS=moment(i * 312))
        trial.good.append(place)


def lay_mutants(trial: Trial, folder: Path, count: int) -> None:
    """Draw files of every kind, mixed up in folders of a hundred."""
    drawn = [(k, i) for k, n in mutants.shares(count).items() for i in range(n)]
    random.Random(trial.seed).shuffle(drawn)
    for at, (kind, number) in enumerate(drawn):
        made = mutants.draw(trial.seed, kind, number)
        place = folder / f"{at // PER_FOLDER:03d}"
        place.mkdir(exist_ok=True)
        name = f"{at % PER_FOLDER:04d}_{kind.replace(' ', '_').replace(',', '')}_{number}"
        (path := place / f"{name}{made.suffix}").write_bytes(made.data)
        trial.laid[path] = (kind, made.must)


def lay_bombs(trial: Trial, folder: Path, count: int) -> None:
    """Make bombs of every kind in turn."""
    names = list(explosives.MAKES)
    for i in range(count):
        path = explosives.make(folder, names[i % len(names)], i, trial.seed)
        trial.laid[path] = (BOMBS, Must.EITHER)


# --- judging --------------------------------------------------------------------------------


def judge(trial: Trial, home: Path, alone: Path, folder: Path) -> None:
    """Look at what the scan said and stored."""
    first = trial.scan
    assert first is not None
    _judge_words(trial, "scan", first, (0, 1))
    if first.code not in (0, 1):
        return
    failed = {Path(f["path"]): f["error"] for f in json.loads(first.out)["failed"]}
    framed = {Path(p): row for row in listed(home) for p in row["paths"]}
    _judge_each(trial, failed, framed)
    _judge_good(trial, home, alone)
    _judge_again(trial, home, folder, failed)
    for words in LOOKS:
        _judge_words(trial, line_of(words), watched(home, *words, timeout_s=300), (0, 1))
    with sqlite3.connect(home / "night.sqlite") as connection:
        whole = connection.execute("PRAGMA integrity_check").fetchone()[0]
    if whole != "ok":
        trial.fault("database", whole)


def listed(home: Path) -> list[dict[str, Any]]:
    """List all frames that are stored."""
    done = watched(home, "frames", "--json")
    rows = json.loads(done.out)["rows"] if done.code == 0 else []
    return [row for row in rows if row["error"] is None]


def _judge_words(trial: Trial, what: str, done: Watched, codes: Sequence[int]) -> None:
    if done.code not in codes:
        trial.fault(what, f"exit code {done.code}: {done.err[-2000:]}")
    if "Traceback" in done.err + done.out:
        trial.fault(what, done.err[-2000:])


def _judge_each(
    trial: Trial, failed: Mapping[Path, str], framed: Mapping[Path, Mapping[str, Any]]
) -> None:
    """Every file is a frame or a named failure, never both and never neither."""
    for path, (kind, must) in trial.laid.items():
        why = failed.get(path)
        if (why is not None) is (path in framed):
            trial.fault(kind, f"{path.name}: {'both' if why else 'neither'}")
            continue
        trial.ended[kind]["frame" if why is None else "failure"] += 1
        wrong = wrong_words(why) if why is not None else ""
        if wrong:
            trial.fault(kind, f"{path.name}: {wrong}: {why}")
        if must is Must.FRAME and why is not None:
            trial.fault(kind, f"{path.name}: should be a frame: {why}")
        if must is Must.FAIL and why is None:
            trial.fault(kind, f"{path.name}: should not be a frame")
        if must is Must.SAME and why is None and not is_whole(path):
            trial.fault(kind, f"{path.name}: another reader finds damage")


def wrong_words(why: str) -> str:
    """Tell what is wrong with a reason; "" where nothing is."""
    if not why or "\n" in why or not why.isprintable():
        return "no line of words"
    if len(why) > 300:
        return "too long"
    if [word for word in PYTHON if word in why]:
        return "a programmer's words"
    kind = kind_of_failure(why)
    return kind.value if kind in (FailureKind.OUR_FAULT, FailureKind.UNKNOWN) else ""


def is_whole(path: Path) -> bool:
    """Ask astropy whether a packed file can be unpacked as a whole."""
    try:
        with fits.open(path) as opened:
            return bool(np.isfinite(opened[0].data).all())
    except Exception:  # noqa: BLE001 - whatever it says, it says no
        return False


def _judge_good(trial: Trial, home: Path, alone: Path) -> None:
    """The good frames are as they were without the others, their totals those of their headers."""
    paths = set(map(str, trial.good))
    with_others = {row["path"]: _own(row) for row in listed(home) if row["path"] in paths}
    without = {row["path"]: _own(row) for row in listed(alone)}
    for path in sorted(paths):
        if with_others.get(path) != without.get(path) or path not in without:
            differing = _differing(without.get(path) or {}, with_others.get(path) or {})
            trial.fault("good files", f"{Path(path).name}: differs in {differing}")
    by_header = sum(float(fits.getheader(path)["EXPTIME"]) for path in trial.good)
    for where in (home, alone):
        rows = json.loads(watched(where, "totals", "--json").out)["rows"]
        mine = [row for row in rows if row["target"] == "M 33"]
        found = sum(row["logged_s"] for row in mine), sum(row["frames"] for row in mine)
        if found != (by_header, len(trial.good)):
            trial.fault("good files", f"totals {found}, not {by_header, len(trial.good)}")


def _own(row: Mapping[str, Any]) -> dict[str, Any]:
    """Leave out what is asked about a night as a whole: it counts the others' frames too."""
    return {name: value for name, value in row.items() if name != "questions"}


def _differing(one: Mapping[str, Any], other: Mapping[str, Any]) -> str:
    names = sorted({*one, *other})
    return ", ".join(
        f"{n}: {one.get(n)} {other.get(n)}" for n in names if one.get(n) != other.get(n)
    )


def _judge_again(trial: Trial, home: Path, folder: Path, failed: Mapping[Path, str]) -> None:
    """A second scan finds nothing new and names the same files."""
    again = scan(home, folder, 2)
    _judge_words(trial, "second scan", again, (0, 1))
    if again.code not in (0, 1):
        return
    said = json.loads(again.out)
    if said["new"] or said["rewritten"] or said["missing"]:
        trial.fault("second scan", f"{said['new']} new, {said['rewritten']} rewritten")
    if {Path(f["path"]) for f in said["failed"]} != set(failed):
        trial.fault("second scan", "names other files")


Line = Callable[[str], None]


def tell(trial: Trial, line: Line) -> None:
    """Print a table: kind, tried, became frames, named failures, did not hold."""
    tried = Counter(kind for kind, _ in trial.laid.values())
    line(f"{'kind':28} {'tried':>6} {'frames':>7} {'failures':>9} {'wrong':>6}")
    for kind, count in tried.items():
        ends, wrong = trial.ended[kind], len(trial.broken.get(kind, ()))
        line(f"{kind:28} {count:6} {ends['frame']:7} {ends['failure']:9} {wrong:6}")
    for kind in trial.broken.keys() - tried.keys():
        line(f"{kind:28} {len(trial.broken[kind]):31}")
    first = trial.scan
    if first is not None:
        line(
            f"{sum(tried.values())} files beside {len(trial.good)} good ones, seed {trial.seed}: "
            f"{first.seconds:.0f} s, at most {first.peak_mb:.0f} MB a process and "
            f"{first.peak_together_mb:.0f} MB together"
        )
    for kind, faults in trial.broken.items():
        for words in faults:
            line(f"  {kind}: {words}")
