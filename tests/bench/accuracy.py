"""How right the measurement is, against GalSim truth: prints a table, one line a number.

Run `python -m tests.bench.accuracy` (all sections) or name sections: psf round defocus counts
match strangers streaks. `--fields N` sets the number of PSF fields, `--draws N` that of matched
frames, `--seed` another draw, `--worst` lists the worst fields.
"""

import argparse
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from runlog.core.frame import Measurement, StarList, Streak
from runlog.core.stars.match import match_stars
from runlog.core.stars.throughput import throughput
from runlog.measure import measure_frame
from tests.measure.fields import (
    DrawnField,
    Sensor,
    add_galaxy,
    add_line,
    add_spikes,
    draw_field,
    kolmogorov,
    moffat,
    ring,
    trailed,
)


@dataclass(frozen=True)
class Line:
    """One number of the table: what was asked, what came out."""

    what: str
    value: str
    asked: str
    passed: bool

    def __str__(self) -> str:
        verdict = "pass" if self.passed else "FALLS SHORT"
        return f"{self.what:58s} {self.value:>20s}   {self.asked:22s} {verdict}"


@dataclass(frozen=True)
class Case:
    """A drawn field and what was measured on it."""

    label: str
    drawn: DrawnField
    found: Measurement

    @property
    def fwhm_error(self) -> float:
        return (self.found.fwhm_px or np.nan) / self.drawn.truth.fwhm_px - 1

    @property
    def fwhm_sigmas(self) -> float:
        error = self.found.fwhm_px_err
        if not error or self.found.fwhm_px is None:
            return np.nan
        return (self.found.fwhm_px - self.drawn.truth.fwhm_px) / error

    @property
    def axis_ratio_error(self) -> float:
        ratio = self.found.axis_ratio
        return np.nan if ratio is None else ratio - self.drawn.truth.axis_ratio

    @property
    def eccentricity_error(self) -> float:
        eccentricity = self.found.eccentricity
        return np.nan if eccentricity is None else eccentricity - self.drawn.truth.eccentricity

    @property
    def angle_error(self) -> float:
        angle = self.found.elongation_deg
        if angle is None:
            return np.nan
        return (angle - self.drawn.truth.elongation_deg + 90) % 180 - 90


def random_case(seed: int) -> Case:
    """Draw one field at random over the whole range asked for, and measure it."""
    rng = np.random.default_rng([seed, 77])
    fwhm = float(np.exp(rng.uniform(np.log(1.5), np.log(8.0))))
    eccentricity = float(rng.choice([0.0, rng.uniform(0, 0.85)], p=[0.2, 0.8]))
    ratio, angle = float(np.sqrt(1 - eccentricity**2)), float(rng.uniform(0, 180))
    kind = rng.choice(["moffat", "kolmogorov", "trail"], p=[0.65, 0.2, 0.15])
    if kind == "moffat":
        beta = float(rng.uniform(2.5, 4.7))
        psf, label = moffat(fwhm, beta, ratio, angle), f"moffat {fwhm:.2f} b{beta:.1f} q{ratio:.2f}"
    elif kind == "kolmogorov":
        psf, label = kolmogorov(fwhm, ratio, angle), f"kolmogorov {fwhm:.2f} q{ratio:.2f}"
    else:
        length = float(fwhm * rng.uniform(0.3, 2.0))
        psf, label = trailed(fwhm, length, angle), f"trail {fwhm:.2f} L{length:.1f}"
    stars = int(np.exp(rng.uniform(np.log(30), np.log(3000))))
    sensor = Sensor(
        sky_e=float(np.exp(rng.uniform(np.log(50), np.log(20000)))),
        read_noise_e=float(rng.uniform(1.5, 9)),
        gain_e_adu=float(np.exp(rng.uniform(np.log(0.4), np.log(3)))),
    )
    room = 1 + int(stars * fwhm**2 * 60 / (1024 * 1360))  # crowded fields get more sky
    side = np.sqrt(min(room, 4))
    drawn = draw_field(
        psf, seed=seed, stars=stars, sensor=sensor,
        height=int(1024 * side), width=int(1360 * side),
    )  # fmt: skip
    found = measure_frame(drawn.pixels)
    return Case(f"{label} n{stars} sky{sensor.sky_e:.0f}", drawn, found)


def section_psf(options: argparse.Namespace) -> list[Line]:
    """Width, shape and angle over random fields."""
    cases = [random_case(options.seed * 100_000 + k) for k in range(options.fields)]
    measured = [case for case in cases if case.found.fwhm_px is not None]
    if options.worst:
        print_worst(measured)
    fine = [case for case in measured if case.drawn.truth.fwhm_px < 2]
    normal = [case for case in measured if case.drawn.truth.fwhm_px >= 2]
    return [
        Line("fields measured", f"{len(measured)} of {len(cases)}", "all",
             len(measured) == len(cases)),
        *fwhm_lines("FWHM 2 to 8 px and more", normal, 0.01, 0.04),
        *fwhm_lines("FWHM under 2 px", fine, 0.02, 0.06),
        *shape_lines(measured),
        *honesty_lines(measured),
    ]  # fmt: skip


def fwhm_lines(what: str, cases: list[Case], median: float, worst: float) -> list[Line]:
    error = np.array([case.fwhm_error for case in cases])
    sigmas = np.array([case.fwhm_sigmas for case in cases])
    typical = float(np.median(np.abs(error)))
    beyond = (np.abs(error) > worst) & ~(np.abs(sigmas) <= 4)
    return [
        Line(f"{what} ({len(cases)}): median |error|", f"{100 * typical:.2f} %",
             f"{100 * median:.0f} %", typical <= median),
        Line(f"{what}: median error (bias)", f"{100 * np.median(error):+.2f} %",
             f"{100 * median:.0f} %", abs(np.median(error)) <= median),
        Line(f"{what}: worst, and fields beyond both limits",
             f"{100 * np.abs(error).max():.1f} %, {beyond.sum()}",
             f"{100 * worst:.0f} % or 4 sigma", not beyond.any()),
    ]  # fmt: skip


def shape_lines(cases: list[Case]) -> list[Line]:
    ratio = float(np.median(np.abs([case.axis_ratio_error for case in cases])))
    long = [case for case in cases if case.drawn.truth.eccentricity > 0.3]
    eccentricity = float(np.median(np.abs([case.eccentricity_error for case in long])))
    longer = [case for case in cases if case.drawn.truth.eccentricity > 0.5]
    angle = np.abs([case.angle_error for case in longer])
    return [
        Line("axis ratio: median |error|", f"{ratio:.4f}", "0.01", ratio <= 0.01),
        Line(f"eccentricity above 0.3 ({len(long)}): median |error|", f"{eccentricity:.4f}",
             "0.02", eccentricity <= 0.02),
        Line(f"angle at e above 0.5 ({len(longer)}): worst", f"{angle.max():.2f} deg",
             "3 deg", bool(angle.max() <= 3)),
    ]  # fmt: skip


def honesty_lines(cases: list[Case]) -> list[Line]:
    width = share_within([case.fwhm_sigmas for case in cases])
    shape = share_within(
        [
            case.eccentricity_error / case.found.eccentricity_err
            for case in cases
            if case.found.eccentricity_err and case.drawn.truth.eccentricity > 0.3
        ]
    )
    return [
        Line("fwhm_px_err: results within 1 sigma", f"{100 * width:.0f} %", "60 to 76 %",
             0.60 <= width <= 0.76),
        Line("eccentricity_err (e > 0.3): within 1 sigma", f"{100 * shape:.0f} %", "60 to 76 %",
             0.60 <= shape <= 0.76),
    ]  # fmt: skip


def share_within(sigmas: list[float]) -> float:
    return float(np.mean(np.abs(np.array(sigmas, float)) <= 1))


def print_worst(cases: list[Case]) -> None:
    """List the fields with the largest errors of width and of shape."""
    for key in ("fwhm_error", "axis_ratio_error", "angle_error"):
        print(f"-- worst by {key}")
        eligible = [c for c in cases if key != "angle_error" or c.drawn.truth.eccentricity > 0.5]
        for case in sorted(eligible, key=lambda c: -abs(getattr(c, key)))[:14]:
            truth, found = case.drawn.truth, case.found
            print(
                f"{case.label:44s} fwhm {truth.fwhm_px:.3f} {100 * case.fwhm_error:+.2f} %"
                f" ({case.fwhm_sigmas:+.1f} s) q {truth.axis_ratio:.3f}"
                f" {case.axis_ratio_error:+.3f} angle {case.angle_error:+.1f}"
                f" {found.width_from} beta {found.beta and round(found.beta, 2)}"
                f" stars {found.stars} of {np.count_nonzero(case.drawn.snr > 10)}"
            )


def section_round(options: argparse.Namespace) -> list[Line]:
    """A round field of 100 stars at S/N 50 must read round."""
    read = []
    for k in range(12):
        drawn = draw_field(
            moffat(2.0 + 0.3 * k), seed=options.seed * 1000 + k, stars=100, snr_range=(50, 50.001)
        )
        found = measure_frame(drawn.pixels).eccentricity
        read.append(1.0 if found is None else found)
    return [Line("round field, 100 stars at S/N 50: worst e", f"{max(read):.3f}", "under 0.15",
                 max(read) < 0.15)]  # fmt: skip


def section_defocus(options: argparse.Namespace) -> list[Line]:
    """Rings and discs are stars, and their half-flux radius is right."""
    errors, widths, counts, surplus = [], [], [], []
    for k, outer in enumerate((6, 8, 10, 14, 18, 22, 26, 30, 35, 40)):
        for obstruction in (0.0, 0.35):
            drawn = draw_field(
                ring(outer, obstruction), seed=options.seed * 1000 + k, stars=120,
                height=1400, width=1800, snr_range=(30, 1000), separation_px=2.2 * outer,
            )  # fmt: skip
            found = measure_frame(drawn.pixels)
            inside = inside_of(drawn, outer)
            errors.append((found.hfr_px or np.nan) / drawn.truth.hfr_px - 1)
            widths.append((found.fwhm_px or np.nan) / drawn.truth.fwhm_px - 1)
            counts.append(found.stars / np.count_nonzero(inside))
            surplus.append(found.stars / len(drawn.x))
            if options.worst:
                print(f"ring {outer} px, obstruction {obstruction}: hfr {100 * errors[-1]:+.1f} %,"
                      f" fwhm {100 * widths[-1]:+.1f} %, stars {found.stars} of"
                      f" {np.count_nonzero(inside)} e {found.eccentricity} {found.width_from}"
                      f" {found.notes}")  # fmt: skip
    worst, low, high = float(np.max(np.abs(errors))), min(counts), max(surplus)
    return [
        Line("rings and discs 6 to 40 px: worst half-flux radius", f"{100 * worst:.1f} %", "5 %",
             worst <= 0.05),
        Line("rings and discs: least found of those inside, most of all", f"{low:.2f}, {high:.2f}",
             "0.95, 1.02", low >= 0.95 and high <= 1.02),
        Line("rings and discs: worst FWHM (for information)",
             f"{100 * np.max(np.abs(widths)):.1f} %", "10 %", bool(np.max(np.abs(widths)) < 0.1)),
    ]  # fmt: skip


def inside_of(drawn: DrawnField, margin: float) -> np.ndarray:
    height, width = drawn.pixels.shape
    return np.asarray(
        (drawn.x > margin) & (drawn.x < width - margin)
        & (drawn.y > margin) & (drawn.y < height - margin)
    )  # fmt: skip


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


SECTIONS: dict[str, Callable[[argparse.Namespace], list[Line]]] = {
    "psf": section_psf,
    "round": section_round,
    "defocus": section_defocus,
    "counts": section_counts,
    "streaks": section_streaks,
    "match": section_match,
    "strangers": section_strangers,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sections", nargs="*", choices=[*SECTIONS, []], help="default: all")
    parser.add_argument("--fields", type=int, default=220)
    parser.add_argument("--draws", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--worst", action="store_true")
    options = parser.parse_args()
    for name in options.sections or SECTIONS:
        start = time.perf_counter()
        for line in SECTIONS[name](options):
            print(line)
        print(f"   ({name}: {time.perf_counter() - start:.0f} s)")


if __name__ == "__main__":
    main()
