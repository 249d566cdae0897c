"""Whether the order of scanning changes any number: random orders, parts and scans again."""

import json
import os
import random
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from .graded import frames_folder
from .whole_bars import Bar
from .whole_read import Bench

# Each line is a database; together they hold history, filters, lengths, binnings, trees, targets.
SETS = (
    ("wren-good-1", "wren-good-2", "wren-haze", "wren-good-3", "wren-good-4"),
    ("heron-small-good-1", "heron-small-trail-0.52", "heron-small-good-3", "heron-small-good-4",
     "binned-heron-small", "tree-heron-small"),
    ("gain-1", "gain-2", "clean-04", "drift-open-wren-small"),
)  # fmt: skip
LEAST = 1e-9  # of a number, relative


def order_bars(bench: Bench, seed: int, orders: int) -> list[Bar]:
    """Scan some sets at once and in random orders and parts; compare all that is printed."""
    rng = random.Random(seed)
    bars = []
    with tempfile.TemporaryDirectory(dir=bench.work) as scratch:
        for number, names in enumerate(SETS):
            chosen = [name for name in names if name in bench.truths]
            folders = [frames_folder(bench.folder, bench.truths[name]) for name in chosen]
            files = sorted(os.fsencode(f) for folder in folders for f in folder.rglob("*.fits"))
            if not files:
                continue
            path = Path(scratch) / f"{number}.sqlite"
            base = _everything(bench, path, [files])
            wrong: list[str] = []
            for turn in range(orders):
                parts = _parts(rng, files)
                other = _everything(bench, path, parts)
                found = list(_differences(base, other, ""))
                wrong += [f"set {number}, order {turn} ({len(parts)} scans): {f}" for f in found]
            what = f"{len(chosen)} nights, {len(files)} files, {orders} orders: the same to 1e-9"
            bars.append(Bar(what, orders, 0.0 if wrong else 1.0, 1.0, tuple(wrong)))
    return bars


def _parts(rng: random.Random, files: Sequence[bytes]) -> list[list[bytes]]:
    """Shuffle, cut into scans of any size, some files again, everything again at the end."""
    shuffled = list(files)
    rng.shuffle(shuffled)
    cuts = sorted(rng.sample(range(1, len(shuffled)), rng.randint(1, 5)))
    parts = [shuffled[a:b] for a, b in zip([0, *cuts], [*cuts, len(shuffled)], strict=True)]
    again = [rng.sample(files, min(9, len(files)))]
    return [*parts, *again, list(files)]


def _everything(bench: Bench, path: Path, scans: Sequence[Sequence[bytes]]) -> dict[str, Any]:
    bench.scan_into(path, scans)
    frames = json.loads(bench.says(path, "frames", "--json"))["rows"]
    nights = sorted({row["night"] for row in frames if row["night"]})
    said = {night: json.loads(bench.says(path, "night", night, "--json")) for night in nights}
    totals = json.loads(bench.says(path, "totals", "--json"))["rows"]
    return {
        "frames": {row["path"]: row for row in frames},
        "nights": said,
        "totals": {f"{row['target']} {row['filter']}": row for row in totals},
    }


def _differences(one: Any, other: Any, where: str) -> Iterator[str]:
    """List where two answers differ, numbers by more than a share of 1e-9."""
    if isinstance(one, dict) and isinstance(other, dict):
        for key in sorted({*one, *other}):
            yield from _differences(one.get(key), other.get(key), f"{where}/{key}")
    elif isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        for number, (a, b) in enumerate(zip(one, other, strict=True)):
            yield from _differences(a, b, f"{where}/{number}")
    elif not _same(one, other):
        yield f"{where}: {one} against {other}"


def _same(one: Any, other: Any) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return abs(one - other) <= LEAST * max(abs(one), abs(other), 1e-30)
    return bool(one == other)
