"""Satellite trails: found, and none invented."""

import argparse

import numpy as np

from runlog.core.frame import Streak
from runlog.measure import measure_frame
from tests.bench.accuracy.lines import Line
from tests.measure.fields import (
    Sensor,
    add_galaxy,
    add_line,
    add_spikes,
    draw_field,
    moffat,
)


def section_streaks(options: argparse.Namespace) -> list[Line]:
    """Trails found, and none where there are galaxies, spikes, hot columns or nothing."""
    found, total, ends = 0, 0, []
    for k in range(60):
        rng = np.random.default_rng([options.seed, k, 9])
        drawn = draw_field(
            moffat(float(rng.uniform(1.8, 6))), seed=options.seed * 700 + k,
            stars=int(rng.uniform(50, 1500)), height=1400, width=1800,
            sensor=Sensor(sky_e=float(np.exp(rng.uniform(np.log(50), np.log(10000))))),
        )  # fmt: skip
        line = random_line(rng, drawn.pixels.shape)
        width = float(rng.uniform(1.8, 6))
        add_line(drawn.pixels, line, 3 * drawn.noise_e, width, seed=k)
        seen = [s for s in measure_frame(drawn.pixels).streaks if same_line(s, line)]
        found, total = found + bool(seen), total + 1
        if seen:
            ends.append(end_error(seen[0], line))
        elif options.worst:
            print(f"missed trail {k}: width {width:.1f} stars {len(drawn.x)} {line}")
    false = sum(bool(measure_frame(clean_frame(options, k)).streaks) for k in range(100))
    return [
        Line(f"trails of 3 sigma a pixel found ({total})", f"{100 * found / total:.0f} %", "95 %",
             found >= 0.95 * total),
        Line("their ends: median, 90 % within", f"{np.median(ends):.0f} px, "
             f"{np.percentile(ends, 90):.0f} px", "for information", True),
        Line("clean frames (galaxies, spikes) with a false trail", f"{false} of 100", "under 1 %",
             false < 1),
    ]  # fmt: skip


def random_line(rng: np.random.Generator, shape: tuple[int, ...]) -> tuple[float, ...]:
    """A segment longer than a third of the frame's longer side, inside it."""
    height, width = shape
    while True:
        x0, x1 = rng.uniform(0, width, 2)
        y0, y1 = rng.uniform(0, height, 2)
        if np.hypot(x1 - x0, y1 - y0) > width / 3:
            return float(x0), float(y0), float(x1), float(y1)


def end_error(streak: Streak, line: tuple[float, ...]) -> float:
    """Larger distance between the ends of a found streak and the drawn ones."""
    a = np.array([streak.x0, streak.y0, streak.x1, streak.y1])
    b, c = np.array(line), np.array([*line[2:], *line[:2]])
    return float(min(
        max(np.hypot(*(a - other)[:2]), np.hypot(*(a - other)[2:])) for other in (b, c)
    ))  # fmt: skip


def same_line(streak: Streak, line: tuple[float, ...]) -> bool:
    """Whether the found streak lies on the drawn one and covers most of it."""
    length = np.hypot(line[2] - line[0], line[3] - line[1])
    return end_error(streak, line) < 0.35 * length


def clean_frame(options: argparse.Namespace, k: int) -> np.ndarray:
    """A frame without trails: plain, with galaxies, or with a spiked bright star, in turn."""
    rng = np.random.default_rng([options.seed, k, 13])
    drawn = draw_field(
        moffat(float(rng.uniform(1.8, 6))), seed=options.seed * 900 + k,
        stars=int(rng.uniform(50, 2500)), height=1400, width=1800,
        sensor=Sensor(sky_e=float(np.exp(rng.uniform(np.log(50), np.log(10000)))), cosmic_rays=60),
    )  # fmt: skip
    if k % 3 == 1:
        for _ in range(8):
            add_galaxy(drawn.pixels, rng.uniform(0, 1800), rng.uniform(0, 1400),
                       drawn.noise_e * 10 ** rng.uniform(3, 5), rng.uniform(4, 60),
                       rng.uniform(0.12, 1), rng.uniform(0, 180))  # fmt: skip
    if k % 3 == 2:
        add_spikes(drawn.pixels, int(rng.uniform(200, 1600)), int(rng.uniform(200, 1200)),
                   drawn.noise_e * 10 ** rng.uniform(1.5, 2.7), rng.uniform(60, 300),
                   rng.uniform(0, 90))  # fmt: skip
    return drawn.pixels
