"""Draw the labelled nights: python -m tests.bench.nights FOLDER [--seed N] [--unseen].

Below FOLDER every night has a folder of its own; `frames` in it is what a scan is given,
`truth.json` beside it says what was drawn.
"""

import argparse
import json
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path

from samples.maker.draw import draw
from samples.maker.shot import Shot
from samples.maker.write import header, write_fits

from .labels import FrameLabel
from .planning import Planned, plan_night
from .script import HELD_OUT, Script
from .scripts import SCRIPTS
from .unseen import UNSEEN_NIGHTS

DEFAULT_SEED = 1
HELD_OUT_SEED = 1000  # added for the held-out half


def plan_all(seed: int = DEFAULT_SEED, scripts: tuple[Script, ...] = SCRIPTS) -> Iterator[Planned]:
    """Plan every night without drawing; each has random numbers of its own."""
    for script in scripts:
        own = sum(script.name.encode()) + 977 * len(script.name)
        yield plan_night(script, (seed + HELD_OUT_SEED * (script.half == HELD_OUT), own))


def draw_frame(folder: str, shot: Shot) -> None:
    """Draw and write one frame; runs in a worker."""
    write_fits(Path(folder, *shot.path.split("/")), draw(shot).pixels, header(shot))


def _draw_some(folder: str, shots: list[Shot]) -> int:
    for shot in shots:
        draw_frame(folder, shot)
    return len(shots)


@dataclass(frozen=True, slots=True)
class NightTruth:
    """A night's labels as read back from its file."""

    name: str
    kind: str
    half: str
    rig: str
    evening: str
    folder: str  # below the folder of all nights
    zero_known: bool
    dithered: bool
    missing: list[str]  # header keywords left out
    frames: list[FrameLabel]


def night_truth(planned: Planned) -> NightTruth:
    """Gather what is true of a night."""
    script = planned.script
    return NightTruth(
        script.name, script.kind, script.half, script.rig, script.evening, script.folder,
        script.zero_known, script.dithered, list(script.missing), planned.labels,
    )  # fmt: skip


def write_truth(folder: Path, planned: Planned) -> None:
    """Write a night's labels beside its frames."""
    path = folder / planned.script.folder / "truth.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(asdict(night_truth(planned)), indent=1) + "\n", encoding="utf-8")


def read_truths(folder: Path) -> list[NightTruth]:
    """Read the labels of all nights below a folder, oldest first."""
    found = []
    for path in sorted(folder.glob("*/truth.json")):
        values = json.loads(path.read_text(encoding="utf-8"))
        values["frames"] = [FrameLabel(**frame) for frame in values["frames"]]
        found.append(NightTruth(**values))
    return found


def make(folder: Path, nights: Sequence[Planned], workers: int, *, only_labels: bool) -> int:
    """Draw nights; give the number of frames."""
    for planned in nights:
        write_truth(folder, planned)
    if only_labels:
        return 0
    shots = [shot for planned in nights for shot in (*planned.shots, *planned.bias)]
    pieces = [shots[i : i + 8] for i in range(0, len(shots), 8)]
    done = 0
    with ProcessPoolExecutor(workers) as executor:
        for count in executor.map(_draw_some, [str(folder)] * len(pieces), pieces):
            done += count
            if sys.stderr.isatty():
                print(f"\r{done} of {len(shots)} frames", end="", file=sys.stderr, flush=True)
    return done


def main() -> None:
    """Make the nights that the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=DEFAULT_SEED)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--only", nargs="*", default=[], help="names of nights; default: all")
    parser.add_argument("--unseen", action="store_true", help="the nights nobody tuned on")
    parser.add_argument("--labels", action="store_true", help="write truth.json only")
    asked = parser.parse_args()
    began = time.perf_counter()
    every = plan_all(asked.seed, UNSEEN_NIGHTS if asked.unseen else SCRIPTS)
    nights = [p for p in every if not asked.only or p.script.name in asked.only]
    done = make(asked.folder, nights, asked.workers, only_labels=asked.labels)
    seconds = time.perf_counter() - began
    print(f"{done} frames in {asked.folder}, {seconds:.0f} s")


if __name__ == "__main__":
    main()
