"""Whole nights of clean frames by a camera with defects of its own: what is kept, what is a trail.

Run `python -m tests.bench.defects` (all kinds) or name kinds; `--frames N` a night, `--seed`
another draw. Each night goes through `runlog scan` into a fresh database. The last columns leave
out what was said of the read-out alone, so that it shows which part falls short.
"""

import argparse
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from tests.measure.defects import (
    bloom,
    clipped,
    coarse_steps,
    dark_edge,
    dead_rows,
    hot_column,
    overscan,
    readout_smear,
    seam,
    smear,
)
from tests.measure.fields import Sensor, draw_field, moffat
from tests.tools import moment, runlog, runlog_json, write_frame

HEIGHT, WIDTH = 800, 1100
ASKED_KEPT = 0.98
NOT_THE_FRAME = {"readout", "streak", "clipped", "tilted"}  # what these checks are not about

Painter = Callable[[np.ndarray, np.ndarray, np.random.Generator], np.ndarray]


@dataclass(frozen=True)
class Kind:
    """One camera: what it adds to every frame, and its noise."""

    paint: Painter
    noise_adu: float = 22.0
    step_adu: int = 1  # of the converter, as stored
    gradient_adu: float = 0.0
    fwhm_px: float = 2.6


def with_columns(
    width_px: int, sigmas: float, *, partial: bool = False, rows: bool = False
) -> Painter:
    """Four hot columns, or rows, the same in every frame."""

    def paint(pixels: np.ndarray, _: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        turned = np.ascontiguousarray(pixels.T) if rows else pixels.copy()
        where = np.random.default_rng([width_px, int(sigmas), partial, rows])
        for _ in range(4):
            first = int(where.integers(0, 0.6 * turned.shape[0])) if partial else 0
            column = int(where.integers(5, turned.shape[1] - 8))
            hot_column(turned, column, width_px, sigmas * 22.0, first, turned.shape[0], rng)
        return np.ascontiguousarray(turned.T) if rows else turned

    return paint


def with_dead_rows(count: int) -> Painter:
    rows = np.random.default_rng(count).choice(HEIGHT, count, replace=False)
    return lambda pixels, _, rng: dead_rows(pixels, rows)


def with_tails(sigmas: float, reach_px: float) -> Painter:
    """A tail of charge to the right of the ten brightest stars."""

    def paint(pixels: np.ndarray, stars: np.ndarray, _: np.random.Generator) -> np.ndarray:
        tailed = pixels.copy()
        for x, y in stars[:10]:
            smear(tailed, x, y, sigmas * 22.0, reach_px, 0)
        return tailed

    return paint


def with_blooms(pixels: np.ndarray, stars: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    spilt = pixels.copy()
    for x, y in stars[:3]:
        bloom(spilt, x, y, 150, 65535, rng)
    return spilt


def with_readout_smear(pixels: np.ndarray, stars: np.ndarray, _: np.random.Generator) -> np.ndarray:
    x, y = stars[0]
    smeared = pixels.copy()
    smeared[y - 2 : y + 3, x - 2 : x + 3] = 65535
    readout_smear(smeared, x, 6 * 22.0, 2.6)
    return smeared


def untouched(pixels: np.ndarray, _: np.ndarray, __: np.random.Generator) -> np.ndarray:
    return pixels


KINDS: dict[str, Kind] = {
    "untouched": Kind(untouched),
    **{f"{n} dead rows": Kind(with_dead_rows(n)) for n in (1, 2, 8)},
    "hot columns 1 px 5 sigma": Kind(with_columns(1, 5)),
    "hot columns 2 px 40 sigma": Kind(with_columns(2, 40)),
    "hot columns 3 px 300 sigma": Kind(with_columns(3, 300)),
    "part columns 1 px 30 sigma": Kind(with_columns(1, 30, partial=True)),
    "part columns 2 px 5 sigma": Kind(with_columns(2, 5, partial=True)),
    "hot rows 2 px 20 sigma": Kind(with_columns(2, 20, rows=True)),
    "overscan": Kind(lambda pixels, _, rng: overscan(pixels, 32, 200, rng)),
    "dark edge": Kind(lambda pixels, _, rng: dark_edge(pixels, 30, 8, 200)),
    "soft dark edge": Kind(lambda pixels, _, rng: dark_edge(pixels, 40, 30, 200)),
    "edge that moves": Kind(
        lambda pixels, _, rng: dark_edge(pixels, int(rng.integers(26, 35)), 2, 200)
    ),
    "seam": Kind(lambda pixels, _, rng: seam(pixels, 0.05)),
    "tails of bright stars": Kind(with_tails(60, 60)),
    "long tails": Kind(with_tails(60, 300)),
    "tails along all of the row": Kind(with_tails(60, 1000)),
    "blooms": Kind(with_blooms),
    "read-out smear": Kind(with_readout_smear),
    **{f"noise {n} gradient 3": Kind(untouched, n, gradient_adu=3.0) for n in (0.8, 1.2, 2.0)},
    **{
        f"{bits} bits, noise {n} steps": Kind(
            untouched, n * (1 << (16 - bits)), 1 << (16 - bits), 3.0
        )
        for bits in (10, 12, 14, 16)
        for n in (1.0, 1.5)
    },
    "undersampled, hot columns": Kind(with_columns(2, 20), fwhm_px=1.6),
    "undersampled, tails": Kind(with_tails(60, 60), fwhm_px=1.6),
}


def draw_night(folder: Path, kind: Kind, frames: int, seed: int) -> None:
    """Write a night of one field, dithered by up to 12 px, under a steady sky."""
    rng = np.random.default_rng([seed, frames])
    x, y = rng.uniform(-20, WIDTH + 20, 500), rng.uniform(-20, HEIGHT + 20, 500)
    snr = 12 * (1 - rng.uniform(size=500)) ** (-1 / 0.9)
    gain = max(1.0, 22.0 / kind.noise_adu)  # electrons an ADU
    sensor = Sensor(
        sky_e=max(30.0, (kind.noise_adu * gain) ** 2 - 9), gain_e_adu=gain, cosmic_rays=8
    )
    noise_e = np.sqrt(sensor.sky_e + 9)
    flux = np.minimum(snr, 3000) * noise_e * kind.fwhm_px * 1.8
    for k in range(frames):
        dx, dy = rng.uniform(-12, 12, 2)
        drawn = draw_field(
            moffat(kind.fwhm_px), seed=seed * 1000 + k, height=HEIGHT, width=WIDTH, sensor=sensor,
            given=(x + dx, y + dy, flux),
        )  # fmt: skip
        order = np.argsort(-flux)
        stars = np.rint(np.column_stack([x + dx, y + dy])[order]).astype(int)
        inside = (stars > 8).all(axis=1) & (stars[:, 0] < WIDTH - 8) & (stars[:, 1] < HEIGHT - 8)
        slope = kind.gradient_adu * max(1, kind.step_adu) * np.arange(HEIGHT)[:, None] / HEIGHT
        # A slope on whole numbers would be a step of 1 ADU at one row: spread them first.
        light = drawn.pixels + slope + rng.uniform(-0.5, 0.5, drawn.pixels.shape)
        pixels = kind.paint(clipped(light), stars[inside], rng)
        bits = 16 - int(np.log2(kind.step_adu))
        pixels = coarse_steps(pixels, bits)
        write_frame(folder / f"light_{k:03d}.fits", pixels, DATE__OBS=moment(312.0 * k))


@dataclass(frozen=True)
class Result:
    """What a night gave."""

    kind: str
    frames: int
    kept: int
    kept_but_readout: int
    streaks: int
    faults: str

    def __str__(self) -> str:
        short = self.kept < ASKED_KEPT * self.frames
        but = self.kept_but_readout < ASKED_KEPT * self.frames
        verdict = "FALLS SHORT" if but or self.streaks else "readout only" if short else "pass"
        return (
            f"{self.kind:28s} kept {self.kept:2d} of {self.frames}, read-out set aside"
            f" {self.kept_but_readout:2d}, false streaks {self.streaks}  {verdict}  {self.faults}"
        )


def judged(name: str, frames: int, seed: int) -> Result:
    """Draw, scan and list one night."""
    with tempfile.TemporaryDirectory() as home:
        folder = Path(home) / "night"
        draw_night(folder, KINDS[name], frames, seed)
        done = runlog(Path(home), "scan", folder, "--workers", "1")
        assert done.returncode == 0, done.stderr
        rows = runlog_json(Path(home), "frames")["rows"]
    faults = sorted({fault for row in rows for fault in row["faults"]} - {"streak"})
    return Result(
        name,
        len(rows),
        sum(row["grade"] == "keep" for row in rows),
        sum(row["grade"] == "keep" or set(row["faults"]) <= NOT_THE_FRAME for row in rows),
        sum(len(row["streaks"]) for row in rows),
        " ".join(faults),
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kinds", nargs="*", help="default: all")
    parser.add_argument("--frames", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    results = []
    for name in options.kinds or KINDS:
        results.append(judged(name, options.frames, options.seed))
        print(results[-1], flush=True)
    frames = sum(r.frames for r in results)
    print(
        f"all: kept {sum(r.kept for r in results) / frames:.1%}, read-out set aside"
        f" {sum(r.kept_but_readout for r in results) / frames:.1%} (98 % asked),"
        f" false streaks {sum(r.streaks for r in results)} (0 asked)"
    )


if __name__ == "__main__":
    main()
