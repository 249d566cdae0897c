"""Whether the order of files, scans in parts and grading again change any grade."""

import os
import random
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import Engine

from runlog.actions.frames import frame_rows
from runlog.actions.scan import scan
from runlog.config import Settings
from runlog.store.engine import open_engine
from runlog.store.migrate import ready

from .graded import frames_folder, regrade
from .measured import Kept, answered_from
from .nights import NightTruth

# Three nights of one rig, target and filter, so that each is history to the next; as many unseen.
NIGHTS = ("trails-2", "dawn-2", "thirds-2", "unseen-2", "unseen-4", "unseen-7")
COMPARED = ("grade", "faults", "evidence", "transparency", "shift_x_px", "pedestal_adu")

Said = Mapping[str, tuple[Any, ...]]


def said(engine: Engine) -> Said:
    """Give what is said of every frame, by its path."""
    return {row["path"]: tuple(row[key] for key in COMPARED) for row in frame_rows(engine)}


def differences(one: Said, other: Said) -> list[str]:
    """List the frames of which two databases say different things."""
    paths = sorted(set(one) | set(other))
    return [
        f"{Path(path).name}: {one.get(path)} against {other.get(path)}"
        for path in paths
        if one.get(path) != other.get(path)
    ]


def order_lines(folder: Path, nights: Sequence[NightTruth], engine: Engine) -> list[str]:
    """Scan some nights at once and in shuffled parts, later nights first; compare; grade again."""
    chosen = [night for night in nights if night.name in NIGHTS]
    files = [
        os.fsencode(path.absolute())
        for night in chosen
        for path in sorted(frames_folder(folder, night).rglob("*.fits"))
    ]
    with tempfile.TemporaryDirectory() as scratch, answered_from(Kept(folder)):
        at_once = _scanned(Path(scratch) / "once.sqlite", [files])
        in_parts = _scanned(Path(scratch) / "parts.sqlite", _parts(files))
    before = said(engine)
    regrade(engine, Settings())
    return [
        *_say(f"{len(chosen)} nights at once against shuffled parts", at_once, in_parts),
        *_say("all nights graded again", before, said(engine)),
    ]


def _parts(files: Sequence[bytes]) -> list[list[bytes]]:
    """Split into three scans: later nights begin, and every night is split."""
    shuffled = list(reversed(files))
    random.Random(5).shuffle(shuffled)
    late = [f for n, f in enumerate(reversed(files)) if n % 3 == 0]
    rest = [f for f in shuffled if f not in set(late)]
    return [late, rest[: len(rest) // 2], rest[len(rest) // 2 :]]


def _scanned(path: Path, scans: Sequence[Sequence[bytes]]) -> Said:
    engine = ready(open_engine(str(path)))
    for files in scans:
        report = scan(engine, Settings(), list(files))
        assert not report.failed, report.failed
    result = said(engine)
    engine.dispose()
    return result


def _say(what: str, one: Said, other: Said) -> list[str]:
    found = differences(one, other)
    word = "pass" if not found else "FALLS SHORT"
    return [f"{what}: {len(found)} of {len(one)} frames differ   {word}", *found[:5]]
