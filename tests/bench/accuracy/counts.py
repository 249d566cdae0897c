"""Stars found and stars invented, and counts that follow the light."""

import argparse

import numpy as np
from scipy.spatial import cKDTree

from runlog.core.frame import Measurement
from runlog.measure import measure_frame
from tests.bench.accuracy.lines import Line, inside_of
from tests.measure.fields import (
    DrawnField,
    Sensor,
    draw_field,
    moffat,
    trailed,
)


def matched(
    drawn: DrawnField, found: Measurement, reach_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """Which drawn stars are in the star list, and which listed ones are drawn stars."""
    if not found.star_list.x:
        return np.zeros(len(drawn.x), bool), np.zeros(0, bool)
    listed = np.column_stack([found.star_list.x, found.star_list.y])
    true = np.column_stack([drawn.x, drawn.y])
    near_listed, _ = cKDTree(listed).query(true)
    near_true, _ = cKDTree(true).query(listed)
    return near_listed < reach_px, near_true < reach_px


def section_counts(options: argparse.Namespace) -> list[Line]:
    """Completeness near 10 sigma and false detections among hot pixels and cosmic rays."""
    complete, false, listed = [], 0, 0
    for k in range(24):
        rng = np.random.default_rng([options.seed, k, 5])
        fwhm = float(np.exp(rng.uniform(np.log(1.5), np.log(8))))
        sensor = Sensor(sky_e=float(np.exp(rng.uniform(np.log(50), np.log(20000)))))
        bright = draw_field(
            moffat(fwhm, 3.2), seed=options.seed * 500 + k, stars=170, snr_range=(9.5, 400),
            sensor=sensor, separation_px=5 * fwhm, height=1400, width=1800,
        )  # fmt: skip
        found = measure_frame(bright.pixels)
        inside = inside_of(bright, 5 + 3 * fwhm) & (bright.snr < 11.5)
        seen, real = matched(bright, found, 1 + 0.6 * fwhm)
        if inside.any():
            complete.append((seen[inside].sum(), inside.sum()))
        false, listed = false + np.count_nonzero(~real), listed + len(real)
        if options.worst:
            print(f"fwhm {fwhm:.2f} sky {sensor.sky_e:.0f}: {seen[inside].sum()} of"
                  f" {inside.sum()} at 10 sigma; {np.count_nonzero(~real)} false of"
                  f" {found.stars}; all {seen.sum()} of {len(seen)}")  # fmt: skip
    caught, drawn = np.sum(complete, axis=0)
    return [
        Line(f"stars at 9.5 to 11.5 sigma found ({drawn})", f"{100 * caught / drawn:.1f} %", "95 %",
             caught >= 0.95 * drawn),
        Line(f"false detections of {listed}", f"{100 * false / listed:.2f} %", "under 1 %",
             false < 0.01 * listed),
        *steady_lines(options),
    ]  # fmt: skip


def steady_lines(options: argparse.Namespace) -> list[Line]:
    """Counts follow the light: a short trail or a bright sky shifts them no further."""
    rows = {
        "plain": (moffat(2.8), Sensor(sky_e=500)),
        "3 px trail": (trailed(2.8, 3.0, 30), Sensor(sky_e=500)),
        "bright moon": (moffat(2.8), Sensor(sky_e=8000)),
    }
    ratios = {}
    for name, (psf, sensor) in rows.items():
        drawn = draw_field(
            psf, seed=options.seed + 11, stars=900, sensor=sensor, height=1600, width=2000,
            snr_range=(2.5, 800),
        )  # fmt: skip
        found = measure_frame(drawn.pixels)
        ratios[name] = found.stars / np.count_nonzero(drawn.snr > 7)
    shifts = {name: ratio / ratios["plain"] - 1 for name, ratio in ratios.items()}
    return [
        Line(f"count over drawn stars above 7 sigma, {name}", f"{100 * shifts[name]:+.1f} %",
             "within 5 % of plain", abs(shifts[name]) <= 0.05)
        for name in list(rows)[1:]
    ]  # fmt: skip
