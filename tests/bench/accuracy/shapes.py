"""Width, shape and angle, their errors, and the half-flux radius of rings and discs."""

import argparse
from dataclasses import dataclass

import numpy as np

from runlog.core.frame import Measurement
from runlog.measure import measure_frame
from tests.bench.accuracy.lines import Line, inside_of, share_within
from tests.measure.fields import (
    DrawnField,
    Sensor,
    draw_field,
    kolmogorov,
    moffat,
    ring,
    trailed,
)


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
    """Compare widths; no lines where so few fields were drawn that there are none."""
    if not cases:
        return []
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
