"""Whether one drawn fault is put into its class: python -m tests.bench.worth_losses FOLDER.

Pairs of nights are drawn as pixels and scanned: a clean one, and the same with one fault (same
seed, so that all else is as drawn there). What the second lost more than the first, of 95 % must be
in the classes that are right for the fault. FOLDER keeps the drawn frames for another time.
"""

import argparse
import os
from dataclasses import replace
from pathlib import Path

from runlog.actions.losses import loss_rows, losses
from runlog.config import Settings
from runlog.core.selection import Selection
from runlog.store.engine import open_engine

from .graded import scan_into
from .nights import make
from .planning import plan_night
from .script import TUNE, Block, Cloud, Lamp, Script

SEED, FRAMES = (18, 7), 24
REFERENCE = Script(
    name="reference", kind="clean", half=TUNE, rig="wren", evening="2026-09-08", start_ha_h=-1.6,
    blocks=(Block("NGC 7000", ("L",), FRAMES, (120.0,)),), wander=0.0, small=True,
    subfolder="reference",
)  # fmt: skip
CLEAN = replace(REFERENCE, name="clean", evening="2026-09-10", subfolder="clean")
# What is drawn, and the causes that are right for it: of kept frames and of lost ones.
FAULTS = {
    # Near a town haze throws light back: that is a brighter sky as well, and two faults.
    "haze": ({"haze": 0.75, "town": False}, {"less light", "cloud"}),
    "cloud": ({"clouds": (Cloud(12.0, 2.5, 0.85),)}, {"less light", "cloud"}),
    "lamp": ({"lamps": (Lamp(4, 20, 1.7),)}, {"brighter sky", "bright-sky"}),
    "defocus": (
        {"all_defocus": 1.25},
        {"focus", "wider stars, cause unknown", "defocused", "seeing"},
    ),
    "seeing": ({"seeing": 1.35}, {"seeing", "wider stars, cause unknown", "soft"}),
    "trails": ({"trails": dict.fromkeys(range(6, 16), 2.5)}, {"trailed", "guiding"}),
}  # fmt: skip


def lost(database: Path, evening: str) -> dict[str, float]:
    """Give what each cause took of a night's exposure, gains taken off."""
    engine = open_engine(str(database))
    rows = loss_rows(losses(engine, Settings(), Selection(night=evening)))
    engine.dispose()
    found: dict[str, float] = {}
    for row in rows:
        if row["what"] != "dark":
            found[row["cause"]] = found.get(row["cause"], 0.0) + row["lost_s"] - row["gained_s"]
    return found


def main() -> int:
    """Print for each fault what was lost more, and the share that is in its classes."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--workers", type=int, default=1)
    asked = parser.parse_args()
    scripts = [REFERENCE, CLEAN, *(
        replace(CLEAN, name=name, subfolder=name, **drawn) for name, (drawn, _) in FAULTS.items()
    )]  # fmt: skip
    for script in scripts:
        if not (asked.folder / script.folder / "truth.json").exists():
            make(asked.folder, [plan_night(script, SEED)], asked.workers, only_labels=False)
    worst = 1.0
    before: dict[str, float] = {}
    for script in scripts[1:]:
        path = asked.folder / f"{script.name}.sqlite"
        folders = [asked.folder / name / "frames" for name in ("reference", script.folder)]
        scan_into(path, [os.fsencode(folder) for folder in folders])
        found = lost(path, script.evening)
        if script is CLEAN:
            before = found
            print("clean:", {cause: round(s) for cause, s in found.items()})
            continue
        more = {c: found.get(c, 0.0) - before.get(c, 0.0) for c in {*found, *before}}
        right = sum(s for cause, s in more.items() if cause in FAULTS[script.name][1])
        share = right / sum(s for s in more.values() if s > 0)
        worst = min(worst, share)
        ranked = sorted(more.items(), key=lambda one: -abs(one[1]))
        print(f"{script.name}: {share:.1%} of {right:.0f} s right;", [
            f"{cause} {s:+.0f} s" for cause, s in ranked if abs(s) >= 1
        ])  # fmt: skip
    return int(worst < 0.95)


if __name__ == "__main__":
    raise SystemExit(main())
