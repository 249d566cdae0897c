"""One name at several places: python -m tests.bench.fields [FOLDER].

Draws the same name at two places 0.6 degrees apart, in one night and in two, and a slow comet;
scans by the real command into new databases, in several orders; and prints on how many frames
transparency is given and how far it is from what was drawn. Then the cost of many fields.
"""

import argparse
import os
import random
import subprocess
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np

from runlog.actions.fields import Cover
from runlog.core.frame import StarList
from runlog.store.fields import Candidate
from tests.candidates import candidate
from tests.tools import argv, environment, runlog_json

from .places import (
    FIRST_UTC,
    NAME,
    Look,
    astray,
    comet,
    draw_looks,
    one_night,
    silent,
    slewed_wrong,
    truths,
    two_nights,
    untold,
)

RIGHT = 0.03
MOST = 0.98  # of the frames
COMPARED = ("transparency", "throughput", "grade", "faults", "evidence", "shift_x_px", "note")
Rows = Mapping[str, Mapping[str, Any]]

DRAWN: dict[str, Callable[[], list[Look]]] = {
    "two nights": two_nights,
    "two nights, headers all at home": lambda: untold(two_nights()),
    "two nights, no coordinates": lambda: silent(two_nights()),
    "two nights, headers astray": lambda: astray(two_nights()),
    "one night": one_night,
    "one night, headers all at home": lambda: untold(one_night()),
    "comet": comet,
    "comet, no coordinates": lambda: silent(comet()),
    "slewed wrong": lambda: untold(slewed_wrong()),
}


# --- scanning -------------------------------------------------------------------------------


def scanned(home: Path, batches: Sequence[Sequence[Path]]) -> Rows:
    """Scan batches of files by the command into a new database; gives its rows by file."""
    home.mkdir(parents=True)
    threads = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    env = environment(home, RUNLOG_DB=str(home / "night.sqlite"), **threads)
    for files in batches:
        done = subprocess.run(argv("scan", *files), env=env, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr
    rows = runlog_json(home, "frames")["rows"]
    return {"/".join(Path(row["path"]).parts[-2:]): row for row in rows}


def orders(files: Sequence[Path]) -> Iterator[list[list[Path]]]:
    """Give batches: all at once, night by night, backwards, and shuffled halves."""
    nights: dict[str, list[Path]] = defaultdict(list)
    for path in files:
        nights[path.parent.name].append(path)
    yield [list(files)]
    yield [nights[name] for name in sorted(nights)]
    yield [nights[name] for name in sorted(nights, reverse=True)]
    shuffled = list(files)
    random.Random(3).shuffle(shuffled)
    yield [shuffled[: len(files) // 2], shuffled[len(files) // 2 :]]


# --- what is right --------------------------------------------------------------------------


def judge(name: str, looks: Sequence[Look], rows: Rows) -> str:
    """Say on how many frames transparency is given and right."""
    true = truths(looks)
    given = {path: rows[path]["transparency"] for path in true}
    known = {path: value for path, value in given.items() if value is not None}
    off = {path: abs(value - true[path]) for path, value in known.items()}
    right = sum(value <= RIGHT for value in off.values())
    word = "pass" if right >= MOST * len(looks) else "FALLS SHORT"
    worst = max(off.values(), default=float("nan"))
    kept_bad = sum(rows[look.path]["grade"] == "keep" and look.light < 0.7 for look in looks)
    lost_good = sum(
        rows[look.path]["grade"] != "keep" and look.light > 0.9 and look.field != "C"
        for look in looks
    )
    return (
        f"{name:34s} {len(known):3d} of {len(looks):3d} given, {right:3d} right, worst {worst:.3f}"
        f"   {word}; under 70 % of the light and kept {kept_bad}, clear and not kept {lost_good}"
    )


def differing(one: Rows, other: Rows) -> list[str]:
    """List the frames of which two scans say different things."""
    return [
        f"{path} {key}: {one[path][key]} against {other[path][key]}"
        for path in sorted(one)
        for key in COMPARED
        if one[path][key] != other[path][key]
    ]


def drawn_lines(folder: Path, names: Sequence[str]) -> Iterator[str]:
    """Draw, scan in every order, and judge."""
    for number, name in enumerate(names):
        looks, home = DRAWN[name](), folder / str(number)
        draw_looks(home / "frames", looks)
        files = [home / "frames" / look.path for look in looks]
        found = [scanned(home / f"db{n}", order) for n, order in enumerate(orders(files))]
        yield judge(name, looks, found[0])
        other = [line for rows in found[1:] for line in differing(found[0], rows)]
        word = "pass" if not other else "FALLS SHORT"
        yield f"{'':34s} {len(found)} orders of scanning, {len(other)} values differ   {word}"
        yield from (f"    {line}" for line in other[:6])


# --- cost -----------------------------------------------------------------------------------


def many_fields(
    fields: int, frames: int, told: bool
) -> tuple[list[Candidate], dict[int, StarList]]:
    """Make star lists of many fields under one name; no pixels."""
    rng = np.random.default_rng(8)
    sights, stars = [], {}
    for field in range(fields):
        x, y = rng.uniform(0, 3000, 200), rng.uniform(0, 2000, 200)
        flux = np.sort(rng.pareto(0.9, 200) + 1)[::-1] * 1000
        for n in range(frames):
            number = field * frames + n
            dx, dy = rng.uniform(-9, 9, 2)
            stars[number] = StarList(
                tuple(x + dx + rng.normal(0, 0.1, 200)), tuple(y + dy), tuple(flux)
            )
            sights.append(sight(number, field, n, told, float(rng.uniform(0.95, 1.05))))
    return sights, stars


def sight(number: int, field: int, n: int, told: bool, score: float) -> Candidate:
    """Make one frame's row as settling reads it."""
    place = {"ra_deg": 10.0 + 2.0 * (field % 20), "dec_deg": 2.0 * (field // 20)} if told else {}
    return candidate(**{
        "id": number, "run_id": field, "content_key": f"{number:032x}", "target": NAME,
        "filter": "L", "binning_x": 1, "width": 3000, "height": 2000, "exposure_s": 300.0,
        "pixel_um": 3.76, "focal_mm": 540.0, "stars": 600, "fwhm_px": 2.5, "noise_adu": 10.0,
        "ranked_flux_adu": 5e4 * score, "clipped_stars": 0,
        "taken_at_utc": FIRST_UTC + timedelta(days=field, minutes=5 * n), **place,
    })  # fmt: skip


def cost_lines(fields: int, frames: int) -> Iterator[str]:
    """Time finding many fields, with and without coordinates."""
    for told in (True, False):
        sights, stars = many_fields(fields, frames, told)
        began = time.process_time()
        cover = Cover(sights, lambda frame, stars=stars: stars[frame.identity.id])
        references, homes = cover.homes()
        took_s = time.process_time() - began
        right = sum(h.at // frames == i // frames for i, h in enumerate(homes))
        where = "with" if told else "without"
        yield (
            f"{fields} fields of {frames} frames {where} coordinates: {len(references)} found, "
            f"{right} of {len(sights)} frames right, {cover.matches / len(sights):.1f} matches a "
            f"frame, {took_s:.1f} s of processor"
        )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path, nargs="?")
    parser.add_argument("--only", nargs="*", default=[*DRAWN, "cost"], choices=[*DRAWN, "cost"])
    parser.add_argument("--fields", type=int, default=200)
    asked = parser.parse_args()
    print(f"load before: {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory() as scratch:
        names = [name for name in asked.only if name in DRAWN]
        for line in drawn_lines(asked.folder or Path(scratch), names):
            print(line, flush=True)
    if "cost" in asked.only:
        for line in cost_lines(asked.fields, 10):
            print(line, flush=True)


if __name__ == "__main__":
    main()
