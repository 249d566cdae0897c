"""Sweeps drawn from a hyperbola that is known."""

from datetime import UTC, datetime, timedelta

import numpy as np

from runlog.core.focus.sweep import Point, Sweep

BEGIN = datetime(2026, 10, 9, 20, tzinfo=UTC)
LEAST_PX, ARM_PX = 0.9, 0.021  # half-flux radius in focus, and what a step far from it adds
TIMES = 2.0  # FWHM over half-flux radius


def sweep(positions, hfr, *, err=0.0, stars=100.0, temperature_c=5.0, night="2026-10-09", **more):
    """Make a sweep of frames nine seconds apart; None is a frame without a width."""
    positions = np.asarray(positions, dtype=float)
    stars = np.broadcast_to(np.asarray(stars, dtype=float), positions.shape)
    points = [
        Point(
            BEGIN + timedelta(seconds=9 * n), BEGIN + timedelta(seconds=9 * n + 4), float(place),
            None if size is None else TIMES * float(size), None if size is None else float(size),
            err, int(count), temperature_c, None if temperature_c is None else "focuser",
        )
        for n, (place, size, count) in enumerate(zip(positions, hfr, stars, strict=True))
    ]  # fmt: skip
    return Sweep(night, "rig", "L", tuple(points), **more)


def drawn(random, best, *, points=9, step=35.0, share=0.05, middle=10_000.0):
    """Draw a sweep with relative errors."""
    x = middle + (np.arange(points) - (points - 1) / 2) * step
    y = np.hypot(LEAST_PX, ARM_PX * (x - best))
    return sweep(x, y * (1 + share * random.standard_normal(points)), err=share)


def bound(best, *, points=9, step=35.0, share=0.05, middle=10_000.0):
    """Give the Cramer-Rao bound of the minimum's standard error, by the drawn truth."""
    x = middle + (np.arange(points) - (points - 1) / 2) * step
    y = np.hypot(LEAST_PX, ARM_PX * (x - best))
    slopes = np.stack(
        [-(ARM_PX**2) * (x - best), np.full_like(x, LEAST_PX), ARM_PX * (x - best) ** 2]
    )
    slopes = (slopes / y / (share * y)).T
    return float(np.sqrt(np.linalg.inv(slopes.T @ slopes)[0, 0]))
