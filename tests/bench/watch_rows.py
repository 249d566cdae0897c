"""Clean nights drawn as rows of measurements: seeing that wanders, real overheads, no trouble.

Every law is written here with its size; sizes without a source are common practice. What belongs
together in a sky is correlated in time, so that trouble by chance comes in stretches.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from statistics import median

import numpy as np

from runlog.core.frame import Field, Frame
from runlog.core.grading.baseline import GOOD_LOW
from runlog.core.grading.history import Dated, Earlier, History, candidates, earlier_of
from runlog.core.grading.policy import Policy
from runlog.core.grading.summary import Group, summaries
from runlog.core.grading.usable import usable
from runlog.core.watch.overdue import Waits
from tests.core.runs import START, altered, blank

FILTERS = (("L",), ("Ha",), ("R", "G", "B"), ("Ha", "OIII", "SII"))
SEEING_SIGMA, SEEING_TAU_S = 0.12, 1500.0  # of the width's logarithm; half an hour of memory
HAZE_SIGMA, HAZE_TAU_S = 0.015, 2400.0  # of the light's
# As drawn nights measure: 0.004 to 0.009 frame to frame, the rig's own 0.006 to 0.012.
TRACK_SIGMA, TRACK_TAU_S = 0.006, 900.0  # of each component of the ellipticity
FOCUS_RUN_EVERY_S, FOCUS_RUN_S = 3600.0, (120.0, 260.0)
DITHER_S = (6.0, 22.0)  # with the download
BRIGHT_SHARE, FAINT_SEEN = 0.7, 0.6  # of the stars found are found always; of the rest
EARLIER = (0, 1, 2)  # evenings of the nights before
FLIP_S = (120.0, 320.0)
NIGHTS_SIGMA = 0.10  # of the width's logarithm from night to night
DRIFT_AN_HOUR = 0.05  # of the width, between focus runs


@dataclass(frozen=True)
class DrawnNight:
    """One clean night, with what is known of its end and its meridian."""

    frames: list[Frame]
    waits: Waits
    ratios: list[float]  # width as drawn, the air's part taken out, over the rig's usual

    def times(self, frames: Sequence[int], usual: float) -> float:
        """Give how wide frames were as drawn, by their numbers, over what was usual."""
        return median(self.ratios[n] for n in frames) / usual

    @property
    def usual(self) -> float:
        """Give what was usual as drawn: the good quarter, as grading takes it."""
        return float(np.quantile(self.ratios, GOOD_LOW))


@dataclass
class Wander:
    """A quantity that wanders about nothing and forgets: an Ornstein-Uhlenbeck walk."""

    random: np.random.Generator
    sigma: float
    tau_s: float

    def __post_init__(self) -> None:
        self.value = self.sigma * self.random.standard_normal()
        self.at_s = 0.0

    def at(self, seconds: float) -> float:
        """Give its value, asked for in order of time."""
        keep = float(np.exp(-(seconds - self.at_s) / self.tau_s))
        kick = self.sigma * np.sqrt(1 - keep**2)
        self.value = keep * self.value + kick * self.random.standard_normal()
        self.at_s = seconds
        return float(self.value)


def clean_night(seed: int, evening: int = 3) -> DrawnNight:
    """Draw one clean night of the rig; `evening` counts the days."""
    return _Night(np.random.default_rng((seed, evening)), evening, seed).drawn()


class _Night:
    def __init__(self, random: np.random.Generator, evening: int, seed: int) -> None:
        self.random, self.evening = random, evening
        rig = np.random.default_rng((seed, 4711))  # what is the rig's own, whatever the night
        self.filters = FILTERS[seed % len(FILTERS)]
        self.exposure_s = float(rig.choice([60.0, 120.0, 180.0, 300.0, 600.0]))
        self.count = int(rig.integers(30, 75))
        self.width_px = float(rig.uniform(2.0, 4.5))
        self.profile = float(rig.uniform(0.57, 0.63))
        self.own = complex(*rig.normal(0, 0.007, 2))
        self.field = rig.poisson(rig.choice([90, 300, 900]) / 9, 9)  # its stars, by ninth
        self.night_factor = float(np.exp(NIGHTS_SIGMA * random.standard_normal()))
        self.seeing = Wander(random, SEEING_SIGMA, SEEING_TAU_S)
        self.haze = Wander(random, HAZE_SIGMA, HAZE_TAU_S)
        self.e1 = Wander(random, TRACK_SIGMA, TRACK_TAU_S)
        self.e2 = Wander(random, TRACK_SIGMA, TRACK_TAU_S)
        self.start = START + timedelta(days=evening)
        self.ratios: list[float] = []
        self.hour_angle_s = float(random.uniform(-4.0, -1.0)) * 3600

    def drawn(self) -> DrawnNight:
        frames, now_s, last_focus_s, west = [], 0.0, 0.0, False
        for n in range(self.count):
            now_s += self.random.uniform(*DITHER_S) if n else 0.0
            if now_s - last_focus_s > FOCUS_RUN_EVERY_S:
                now_s += self.random.uniform(*FOCUS_RUN_S)
                last_focus_s = now_s
            if not west and now_s + self.exposure_s > -self.hour_angle_s:
                now_s = max(now_s, -self.hour_angle_s) + self.random.uniform(*FLIP_S)
                west = True
            frames.append(self._frame(n, now_s, now_s - last_focus_s, west))
            now_s += self.exposure_s
        meridian = self.start - timedelta(seconds=self.hour_angle_s)
        end = self.start + timedelta(seconds=now_s)
        return DrawnNight(frames, Waits(meridian_utc=meridian, ends_utc=end), self.ratios)

    def _stars_seen(self, depth: float) -> tuple[int, ...]:
        """Give the stars found in each ninth: of a field's stars only the faint come and go."""
        bright = np.round(BRIGHT_SHARE * self.field).astype(int)
        seen = self.random.binomial(self.field - bright, min(FAINT_SEEN * depth, 1.0))
        return tuple(int(n) for n in bright + seen)

    def _frame(self, n: int, at_s: float, unfocused_s: float, west: bool) -> Frame:
        draw = self.random
        hour_deg = (self.hour_angle_s + at_s) / 240
        airmass = 1 / max(np.cos(np.radians(0.9 * hour_deg)) * 0.97, 0.35)
        seeing = self.seeing.at(at_s)
        out = 1 + DRIFT_AN_HOUR * unfocused_s / 3600
        self.ratios.append(self.night_factor * float(np.exp(seeing)) * out)
        width = self.width_px * self.ratios[-1] * airmass**0.45
        width *= 1 + 0.012 * draw.standard_normal()
        light = float(np.exp(-abs(self.haze.at(at_s)) + 0.008 * draw.standard_normal()))
        e = self.own + complex(self.e1.at(at_s), self.e2.at(at_s))
        e += complex(*draw.normal(0, 0.004, 2))
        q = (1 - abs(e)) / (1 + abs(e))
        name = self.filters[n % len(self.filters)]
        zones = self._stars_seen(light * (self.width_px / width) ** 0.6)
        stars = sum(zones)
        sky = 300.0 * airmass * (1 + 0.3 * np.exp(-at_s / 5400))
        key = f"{self.evening:016x}{n:016x}"
        taken = self.start + timedelta(seconds=at_s)
        frame = blank(key, taken, self.exposure_s, "M 33", name)
        reference = f"{'ref' + name:0>32}"
        profile = self.profile * (1 - 0.25 * (out - 1)) * (1 + 0.006 * draw.standard_normal())
        return altered(
            frame, width=1280, height=960, gain=100.0,
            sensor_c=-10.0 + 0.2 * draw.standard_normal(), set_c=-10.0,
            focus_pos=11200.0, focus_c=8.0 - at_s / 7200,
            pier_side="east" if west else "west",
            airmass=float(airmass), moon_alt_deg=-20.0, sun_alt_deg=-40.0, pedestal_adu=500.0,
            measured_with=1, stars=stars, fwhm_px=float(width),
            fwhm_px_err=float(width * 0.2 / np.sqrt(max(stars, 1))),
            axis_ratio=float(q), eccentricity=float(np.sqrt(1 - q * q)),
            eccentricity_err=float(0.5 / np.sqrt(max(stars, 1))),
            elongation_deg=float(np.degrees(np.angle(e)) / 2 % 180),
            alignment=float(draw.uniform(0.2, 0.7)),
            hfr_px=float(width * profile), background_adu=float(500 + sky * self.exposure_s / 300),
            noise_adu=float(20 * np.sqrt(sky / 300)), ranked_flux_adu_s=100.0 * light,
            beta=3.2, width_from="moffat", clipped_stars=int(draw.poisson(2)), field=Field(()),
            zone_stars=zones[::-1] if west else zones,  # a flip turns the field by half a turn
            matched_to=reference, best_of_name=reference, field_runs=2, throughput=light,
            transparency=light, best_sky_adu_s=None,
            shift_x_px=float(draw.uniform(-10, 10)), shift_y_px=float(draw.uniform(-10, 10)),
            rotation_deg=0.0,
        )  # fmt: skip


def usual_before(seed: int) -> float:
    """Give what was usual in the rig's three nights before, as drawn."""
    return median(clean_night(seed, before).usual for before in EARLIER)


def history_of(seed: int, policy: Policy) -> History:
    """Draw the rig's three nights before and say what was usual in them."""
    dated: dict[Group, list[Dated]] = {}
    evening = EARLIER[-1] + 1
    for before in EARLIER:
        lights = clean_night(seed, before).frames
        for summary in summaries(lights, usable(lights, policy, {})):
            dated.setdefault(summary.group, []).append(Dated(f"2026-10-{before + 10}", summary))
    night = f"2026-10-{evening + 10}"
    found = {g: earlier_of(candidates(own, night), night) for g, own in dated.items()}
    return {g: e for g, e in found.items() if isinstance(e, Earlier)}
