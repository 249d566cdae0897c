"""How surely doubled exposures are told from all else: found and false shares over drawn fields.

Run `python -m tests.bench.doubled`. Half of the fields have every star twice (1 to 8 FWHM apart,
the second image 30 to 100 % as bright, FWHM 1.5 to 8 px), half do not. `--fields N` sets how
many of either, `--seed` another draw, `--worst` lists misses and false alarms.
"""

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import galsim
import numpy as np

from runlog.measure import measure_frame
from tests.measure.fields import (
    Sensor,
    doubled,
    draw_field,
    moffat,
    noise_pixels,
    ring,
    sized,
    star_fluxes,
    trailed,
)

HEIGHT, WIDTH = 900, 1200
STEPS = (1.0, 1.3, 1.5, 2.0, 3.0, 5.0, 8.0)  # FWHM
RIGHT_WITHIN = 0.1  # of the distance, one pixel at least


@dataclass(frozen=True)
class Look:
    """Stars of one exposure, drawn at random."""

    fwhm_px: float
    beta: float
    angle_deg: float
    stars: int
    sensor: Sensor


@dataclass(frozen=True)
class Case:
    """A doubled field: what was drawn and what was found."""

    label: str
    widths: float
    apart_px: float
    found_px: float | None

    @property
    def right(self) -> bool:
        """Whether the distance found is the one drawn."""
        allowed = max(1.0, RIGHT_WITHIN * self.apart_px)
        return self.found_px is not None and abs(self.found_px - self.apart_px) < allowed


def random_look(rng: np.random.Generator) -> Look:
    return Look(
        float(np.exp(rng.uniform(np.log(1.5), np.log(8.0)))),
        float(rng.uniform(2.6, 4.5)),
        float(rng.uniform(0, 180)),
        int(np.exp(rng.uniform(np.log(60), np.log(1500)))),
        Sensor(sky_e=float(np.exp(rng.uniform(np.log(50), np.log(10000))))),
    )


def apart_of(
    psf: galsim.GSObject, look: Look, seed: int, reach_px: float, stars: int
) -> float | None:
    drawn = draw_field(psf, seed=seed, stars=stars, height=HEIGHT, width=WIDTH,
                       sensor=look.sensor, truth=sized(reach_px))  # fmt: skip
    return measure_frame(drawn.pixels).doubled_px


def doubled_case(seed: int) -> Case:
    """Draw and measure one field whose stars stand twice."""
    rng = np.random.default_rng([seed, 311])
    look = random_look(rng)
    widths, ratio = float(rng.uniform(1, 8)), float(rng.uniform(0.3, 1))
    apart = widths * look.fwhm_px
    room = int(HEIGHT * WIDTH / (apart + 3 * look.fwhm_px) ** 2 / 4) + 40
    stars = min(look.stars, room)
    psf = doubled(look.fwhm_px, apart, look.angle_deg, ratio, look.beta)
    found = apart_of(psf, look, seed, apart + 4 * look.fwhm_px, stars)
    label = f"FWHM {look.fwhm_px:.2f} px, {widths:.2f} FWHM apart, ratio {ratio:.2f}, {stars} stars"
    return Case(label, widths, apart, found)


def clean(rng: np.random.Generator, look: Look, seed: int) -> float | None:
    psf = moffat(look.fwhm_px, look.beta, float(rng.uniform(0.5, 1)), look.angle_deg)
    return apart_of(psf, look, seed, 4 * look.fwhm_px, look.stars)


def crowded(rng: np.random.Generator, look: Look, seed: int) -> float | None:
    stars = min(9000, int(HEIGHT * WIDTH / (25 * look.fwhm_px**2)))
    return apart_of(moffat(look.fwhm_px, look.beta), look, seed, 4 * look.fwhm_px, stars)


def even_trail(rng: np.random.Generator, look: Look, seed: int) -> float | None:
    length = look.fwhm_px * float(rng.uniform(0.5, 8))
    psf = trailed(look.fwhm_px, length, look.angle_deg)
    return apart_of(psf, look, seed, length + 4 * look.fwhm_px, look.stars)


def uneven_trail(rng: np.random.Generator, look: Look, seed: int) -> float | None:
    """A third of the light in one end: the mount stood still, then ran away."""
    length, turn = look.fwhm_px * float(rng.uniform(1.5, 6)), np.radians(look.angle_deg)
    run = trailed(look.fwhm_px, length, look.angle_deg, look.beta)
    run = run.shift(length / 2 * np.cos(turn), length / 2 * np.sin(turn))
    psf = 0.35 * moffat(look.fwhm_px, look.beta) + 0.65 * run
    return apart_of(psf, look, seed, 2 * length + 4 * look.fwhm_px, look.stars)


def lumpy_trail(rng: np.random.Generator, look: Look, seed: int) -> float | None:
    """Thirty short stops at random places of a line: some look like two images to the eye."""
    length, turn = look.fwhm_px * float(rng.uniform(1.5, 6)), np.radians(look.angle_deg)
    at = np.cumsum(rng.exponential(1, 30))
    at = length * (at - at.mean()) / at[-1]
    one = moffat(look.fwhm_px, look.beta)
    psf = galsim.Add([one.shift(s * np.cos(turn), s * np.sin(turn)) / 30 for s in at])
    return apart_of(psf, look, seed, length + 4 * look.fwhm_px, look.stars)


def defocused(rng: np.random.Generator, look: Look, seed: int) -> float | None:
    outer = float(rng.uniform(6, 40))
    psf = ring(outer, float(rng.choice([0.0, 0.2, 0.35])))
    return apart_of(psf, look, seed, 2 * outer, min(look.stars, 150))


def coma(rng: np.random.Generator, look: Look, seed: int) -> float | None:
    """A tail that thins out to one side."""
    turn, one = np.radians(look.angle_deg), moffat(look.fwhm_px, look.beta)
    at = np.linspace(0, 2.5, 14)
    parts = [np.exp(-1.5 * s) * one.shift(s * look.fwhm_px * np.cos(turn),
                                          s * look.fwhm_px * np.sin(turn)) for s in at]  # fmt: skip
    psf = galsim.Add(parts) / float(np.exp(-1.5 * at).sum())
    return apart_of(psf, look, seed, 6 * look.fwhm_px, look.stars)


def pairs_in_the_sky(rng: np.random.Generator, look: Look, seed: int) -> float | None:
    """Four stars of ten with a companion 1 to 6 FWHM away, each at its own offset."""
    count, psf = look.stars, moffat(look.fwhm_px, look.beta)
    x, y = rng.uniform(0, WIDTH, count), rng.uniform(0, HEIGHT, count)
    size = int(8 * look.fwhm_px) | 1
    stamp = psf.drawImage(nx=size, ny=size, scale=1.0).array[None]
    flux = star_fluxes(rng, count, float(np.sqrt(look.sensor.sky_e + 9)), noise_pixels(stamp))
    two = rng.random(count) < 0.4
    apart = look.fwhm_px * rng.uniform(1, 6, two.sum())
    turn = rng.uniform(0, 2 * np.pi, two.sum())
    given = (
        np.concatenate([x, x[two] + apart * np.cos(turn)]),
        np.concatenate([y, y[two] + apart * np.sin(turn)]),
        np.concatenate([flux, flux[two] * rng.uniform(0.3, 1, two.sum())]),
    )
    drawn = draw_field(psf, seed=seed, height=HEIGHT, width=WIDTH, sensor=look.sensor,
                       truth=sized(4 * look.fwhm_px), given=given)  # fmt: skip
    return measure_frame(drawn.pixels).doubled_px


OTHERS: dict[str, Callable[[np.random.Generator, Look, int], float | None]] = {
    "clean": clean,
    "crowded": crowded,
    "pairs in the sky": pairs_in_the_sky,
    "even trail": even_trail,
    "uneven trail": uneven_trail,
    "lumpy trail": lumpy_trail,
    "ring or disc": defocused,
    "coma": coma,
}


def doubled_lines(cases: list[Case]) -> list[str]:
    """One line for each range of distances."""
    lines = []
    for low, high in pairwise(STEPS):
        some = [case for case in cases if low <= case.widths < high]
        found = sum(case.found_px is not None for case in some)
        right = sum(case.right for case in some)
        lines.append(f"doubled, {low:.1f} to {high:.1f} FWHM apart: found {found} of {len(some)},"
                     f" distance right {right}")  # fmt: skip
    return lines


def single_lines(options: argparse.Namespace) -> list[str]:
    """One line for each kind of field that is not doubled."""
    false, drawn = dict.fromkeys(OTHERS, 0), dict.fromkeys(OTHERS, 0)
    for k in range(options.fields):
        name = list(OTHERS)[k % len(OTHERS)]
        seed = options.seed * 10_000 + k
        rng = np.random.default_rng([seed, 312])
        look = random_look(rng)
        found = OTHERS[name](rng, look, seed)
        drawn[name] += 1
        false[name] += found is not None
        if options.worst and found is not None:
            print(f"false alarm: {name}, FWHM {look.fwhm_px:.2f} px, {look.stars} stars,"
                  f" {found:.1f} px apart")  # fmt: skip
    return [f"not doubled, {name}: false {false[name]} of {drawn[name]}" for name in OTHERS]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fields", type=int, default=160)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--worst", action="store_true")
    options = parser.parse_args()
    began = time.perf_counter()
    cases = [doubled_case(options.seed * 10_000 + k) for k in range(options.fields)]
    if options.worst:
        for case in cases:
            if not case.right:
                print(f"missed or wrong: {case.label}, found {case.found_px}")
    for line in [*doubled_lines(cases), *single_lines(options)]:
        print(line)
    print(f"   ({time.perf_counter() - began:.0f} s)")


if __name__ == "__main__":
    main()
