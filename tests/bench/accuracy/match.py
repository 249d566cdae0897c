"""Frames laid on a reference: shift, turn and light; and fields that are strangers."""

import argparse
from dataclasses import dataclass

import numpy as np

from runlog.core.frame import StarList
from runlog.core.stars.match import match_stars
from runlog.core.stars.throughput import throughput
from runlog.measure import measure_frame
from tests.bench.accuracy.lines import Line, share_within
from tests.measure.fields import (
    Sensor,
    draw_field,
    moffat,
)


@dataclass(frozen=True)
class Matching:
    """How far a frame's match with its reference is from the truth."""

    share: float  # of the reference's light that was drawn
    turn_deg: float
    light_error: float  # relative
    light_sigmas: float  # in the result's own error
    shift_error_px: float
    turn_error_deg: float
    label: str

    def __str__(self) -> str:
        return (
            f"true {self.share} found {1 + self.light_error:.3f} of it"
            f" ({self.light_sigmas:+.1f} s), shift off {self.shift_error_px:.3f} px,"
            f" turn off {self.turn_error_deg:.4f} deg, {self.label}"
        )


def section_match(options: argparse.Namespace) -> list[Line]:
    """Throughput, shift and rotation of a frame against a sharper reference of the same sky."""
    tried = [random_matching(options.seed, k) for k in range(options.draws)]
    found = [matching for matching in tried if matching is not None]
    if options.worst:
        for matching in sorted(found, key=lambda m: -abs(m.light_error)):
            print(matching)
    flips = sum(abs(matching.turn_deg) > 90 for matching in found)
    shift = max(matching.shift_error_px for matching in found)
    turn = max(matching.turn_error_deg for matching in found)
    return [
        Line("frames of the same sky matched", f"{len(found)} of {len(tried)} ({flips} flipped)",
             "all", len(found) == len(tried)),
        *throughput_lines(found),
        Line("shift: worst", f"{shift:.3f} px", "0.2 px", shift <= 0.2),
        Line("rotation: worst", f"{turn:.4f} deg", "for information", True),
    ]  # fmt: skip


def throughput_lines(found: list[Matching]) -> list[Line]:
    error = np.array([matching.light_error for matching in found])
    sigmas = np.array([matching.light_sigmas for matching in found])
    worst, within = float(np.max(np.abs(error))), share_within(list(sigmas))
    return [
        Line("throughput 0.15 to 1.0: worst error", f"{100 * worst:.1f} %", "3 %", worst <= 0.03),
        Line("throughput: median error", f"{100 * np.median(error):+.2f} %", "3 %",
             abs(np.median(error)) <= 0.03),
        Line("throughput: worst in its own sigma", f"{np.max(np.abs(sigmas)):.1f}", "4",
             bool(np.max(np.abs(sigmas)) <= 4)),
        Line("throughput's error: results within 1 sigma", f"{100 * within:.0f} %", "60 to 76 %",
             0.60 <= within <= 0.76),
    ]  # fmt: skip


def random_matching(seed: int, k: int) -> Matching | None:
    """Draw a reference and a turned, shifted, dimmed, blurred frame of its sky; match them."""
    rng = np.random.default_rng([seed, k, 21])
    true = float(rng.choice([1.0, 0.7, 0.4, 0.25, 0.15]))
    turn = float(rng.choice([0.0, rng.uniform(-1, 1), 180 + rng.uniform(-1, 1)]))
    shift = rng.uniform(-80, 80, 2)
    size = (1800, 1400)
    sky = random_sky(rng, size)
    first = draw_field(moffat(float(rng.uniform(1.8, 4)), 3.2), seed=k, given=sky,
                       width=size[0], height=size[1])  # fmt: skip
    second = draw_field(
        moffat(float(rng.uniform(1.8, 8)), float(rng.uniform(2.7, 4.5))), seed=k + 500,
        given=moved(sky, size, turn, shift, true), width=size[0], height=size[1],
        sensor=Sensor(sky_e=float(rng.uniform(200, 3000))),
    )  # fmt: skip
    a, b = measure_frame(first.pixels), measure_frame(second.pixels)
    match = match_stars(a.star_list, b.star_list, size)
    if match is None:
        return None
    clipped = max(a.clipped_stars, b.clipped_stars)
    light = throughput(a.star_list, b.star_list, match, reference_exposure_s=300,
                       exposure_s=300, clipped=clipped)  # fmt: skip
    if light is None:
        return None
    return Matching(
        true,
        turn,
        light.ratio / true - 1,
        (light.ratio - true) / light.ratio_err,
        float(np.hypot(match.shift_x_px - shift[0], match.shift_y_px - shift[1])),
        abs((match.rotation_deg - turn + 180) % 360 - 180),
        f"{len(match.pairs)} pairs, widths {a.fwhm_px:.2f} {b.fwhm_px:.2f}",
    )


Sky = tuple[np.ndarray, np.ndarray, np.ndarray]  # x, y (px), flux (electrons)


def random_sky(rng: np.random.Generator, size: tuple[int, int], stars: int = 500) -> Sky:
    """Star positions over more than the frame, and fluxes in electrons."""
    x = rng.uniform(-0.2 * size[0], 1.2 * size[0], stars)
    y = rng.uniform(-0.2 * size[1], 1.2 * size[1], stars)
    return x, y, 3000 * (1 - rng.uniform(size=stars)) ** (-1 / 0.9)


def moved(sky: Sky, size: tuple[int, int], turn_deg: float, shift: np.ndarray, share: float) -> Sky:
    """The same stars turned about the frame's centre, shifted and dimmed."""
    angle = np.radians(turn_deg)
    cx, cy = (size[0] - 1) / 2, (size[1] - 1) / 2
    x, y = sky[0] - cx, sky[1] - cy
    return (
        cx + x * np.cos(angle) - y * np.sin(angle) + shift[0],
        cy + x * np.sin(angle) + y * np.cos(angle) + shift[1],
        sky[2] * share,
    )


def section_strangers(options: argparse.Namespace) -> list[Line]:
    """Star lists of different fields never match; lists thinned by cloud to 15 stars do."""
    rng = np.random.default_rng(options.seed)
    size = (3000, 2000)

    def listed(count: int) -> StarList:
        x, y = rng.uniform(0, size[0], count), rng.uniform(0, size[1], count)
        flux = np.sort((1 - rng.uniform(size=count)) ** (-1 / 0.9))[::-1]
        return StarList(tuple(x), tuple(y), tuple(flux))

    false = 0
    for _ in range(1000):
        a, b = (listed(int(rng.choice([15, 30, 60, 120, 200]))) for _ in range(2))
        false += match_stars(a, b, size) is not None
    found = sum(match_stars(full, thinned(full, rng), size) is not None
                for full in (listed(200) for _ in range(60)))  # fmt: skip
    return [
        Line("false matches between 1,000 pairs of fields", f"{false}", "0", false == 0),
        Line("cloud that leaves 15 stars: matched", f"{found} of 60", "all", found == 60),
    ]


def thinned(stars: StarList, rng: np.random.Generator) -> StarList:
    """The 15 brightest after patchy cloud (0.4 mag rms), shifted, turned, 0.15 px noise."""
    flux = np.array(stars.flux_adu) * 10 ** rng.normal(0, 0.16, len(stars.x))
    order = np.argsort(-flux)[:15]
    z = (np.array(stars.x) + 1j * np.array(stars.y))[order] * np.exp(1j * rng.uniform(0, 6.28))
    z += (
        complex(*rng.uniform(-200, 200, 2)) + rng.normal(0, 0.15, 15) + 1j * rng.normal(0, 0.15, 15)
    )
    return StarList(tuple(z.real), tuple(z.imag), tuple(flux[order]))
