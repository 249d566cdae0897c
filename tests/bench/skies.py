"""Trees, dew and thin cloud on nights made of numbers: python -m tests.bench.skies [--nights N].

No pixel is drawn: a field of stars is, with the light that reaches each of them past a tree, and
what a measurement would say of it follows (stars above five times the sky's noise, their ninths,
the median light of the matched ones). So hundreds of nights take a minute. Where dew begins, what
a tree covers and how much cirrus takes is drawn, and is the truth it is checked against.
"""

import argparse
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
import numpy.typing as npt

from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.grading.grade import grade_run
from runlog.core.grading.policy import Policy
from runlog.core.story.model import Event, GradedLight
from runlog.core.story.tell import Story, tell
from samples.maker.spoil import Shade
from tests.core.runs import START, altered, clean_run

F64 = npt.NDArray[np.float64]
START_ASKED = 3  # frames


@dataclass(frozen=True, slots=True, kw_only=True)
class Rig:
    """What of a rig decides how many stars it shows."""

    shape: tuple[int, int]  # rows, columns
    fwhm_px: float
    profile: float
    exposure_s: float
    stars: int  # in the field, however faint
    noise: float  # of one frame's median light, one standard deviation


RIGS = (
    Rig(shape=(960, 1280), fwhm_px=2.3, profile=0.62, exposure_s=120.0, stars=2500, noise=0.004),
    Rig(shape=(2000, 3000), fwhm_px=4.6, profile=0.63, exposure_s=300.0, stars=9000, noise=0.008),
)


@dataclass(frozen=True, slots=True)
class At:
    """What is drawn of one frame."""

    cover: float = 0.0
    side_deg: float = 0.0
    wall: float = 0.45  # light of what covers, against the open sky
    clear: float = 1.0  # light that the air lets through
    dew: float = 0.0  # 0 none, 1 all of the glass
    sky: float = 1.0  # against a moonless night


@dataclass(frozen=True, slots=True)
class Night:
    """A night with the truth of each frame."""

    frames: list[Frame]
    truth: list[At]


Plan = Callable[[int, int, np.random.Generator], At]  # frame, of how many


def _field(rig: Rig, random: np.random.Generator) -> tuple[F64, F64, F64]:
    """Draw a star field: places in pixels and fluxes; every other one lies along the Milky Way."""
    x, y = random.random((2, 4 * rig.stars))
    if random.random() < 0.5:
        angle, steep = random.uniform(0, 2 * math.pi), random.uniform(0.5, 1.2)
        along = (x - 0.5) * math.cos(angle) + (y - 0.5) * math.sin(angle)
        keep = random.random(x.size) < np.exp(steep * (along - 0.7))
        x, y = x[keep], y[keep]
    x, y = x[: rig.stars] * rig.shape[1], y[: rig.stars] * rig.shape[0]
    return x, y, 2.0 * random.random(x.size) ** (-1 / 0.8)  # counts as flux to the -0.8


def night(rig: Rig, plan: Plan, count: int, seed: int) -> Night:
    """Draw a night: it crosses the meridian or sets, dithers, its seeing wanders."""
    random = np.random.default_rng(seed)
    x, y, flux = _field(rig, random)
    filters = ("L",) if random.random() < 0.5 else ("L", "R", "G", "B")
    flips = random.random() < 0.5
    low, high = sorted(random.uniform(1.0, 2.0, 2))
    rising = random.random() < 0.3
    seeing = np.cumsum(random.normal(0, 0.03, count)).clip(-0.2, 0.2)
    more_mag = random.uniform(-0.06, 0.12)  # an airmass, beyond the default that is taken out
    truth = [plan(n, count, random) for n in range(count)]
    blank = clean_run(count, seed=seed)
    frames = []
    for n, (frame, at) in enumerate(zip(blank, truth, strict=True)):
        share = n / max(count - 1, 1)
        airmass = high - (high - low) * share if rising else low + (high - low) * share
        name = filters[n % len(filters)]
        west = flips and n < count / 3
        frames.append(_measured(rig, frame, at, (x, y, flux), name, airmass, west,
                                1 + seeing[n], n, more_mag, random))  # fmt: skip
    return Night(frames, truth)


def _measured(
    rig: Rig, frame: Frame, at: At, field: tuple[F64, F64, F64], name: str, airmass: float,
    west: bool, seeing: float, number: int, more_mag: float, random: np.random.Generator,
) -> Frame:  # fmt: skip
    x, y, flux = field
    rows, columns = rig.shape
    x, y = (columns - x, rows - y) if west else (x, y)
    x, y = x + random.uniform(-15, 15), y + random.uniform(-15, 15)
    shade = Shade(at.side_deg, at.cover)
    left = shade.leaves(x, y, rig.shape) if at.cover else np.ones_like(x)
    band = {"L": 1.0, "R": 0.35, "G": 0.33, "B": 0.3}[name]
    cores = (1 - 0.55 * at.dew) * at.clear
    open_sky = band * at.sky * airmass * (1 + 1.1 * (1 - at.clear) * 0.5)
    grid = np.meshgrid(np.linspace(0, columns, 41), np.linspace(0, rows, 31))
    hidden = float(np.median(shade.leaves(grid[0], grid[1], rig.shape))) if at.cover else 1.0
    sky = open_sky * (hidden + (1 - hidden) * at.wall)
    fwhm_px = rig.fwhm_px * seeing * airmass**0.3
    seconds = rig.exposure_s
    light = band * flux * left * cores * (1 - 0.25 * at.dew) * 10 ** (-0.4 * 0.18 * (airmass - 1))
    sigma = 0.9 * fwhm_px / rig.fwhm_px * math.sqrt(sky / seconds * 120)
    seen = light + random.normal(0, sigma, light.size) > 5 * sigma
    inside = (x > 0) & (x < columns) & (y > 0) & (y < rows)
    seen &= inside
    ninth = (y * 3 // rows).clip(0, 2).astype(int) * 3 + (x * 3 // columns).clip(0, 2).astype(int)
    zones = tuple(int(n) for n in np.bincount(ninth[seen], minlength=9))
    ranked = np.sort(light[seen])[::-1]
    matched = np.argsort(-flux)[:200]
    matched = matched[seen[matched]]
    ratio = float(np.median(left[matched])) if len(matched) >= 8 else None
    error = 1 + rig.noise * random.standard_normal()
    error *= 10 ** (-0.4 * more_mag * (airmass - 1))
    clear = None if ratio is None else ratio * at.clear * (1 - 0.25 * at.dew) * error
    noise = 4 * math.sqrt(sky * seconds / 120 + 0.2)
    return altered(
        frame,
        width=columns, height=rows, filter=name, airmass=airmass, exposure_s=seconds,
        taken_at_utc=START + timedelta(seconds=number * (seconds + 18)),
        pier_side="west" if west else "east", stars=int(seen.sum()), zone_stars=zones,
        fwhm_px=fwhm_px, hfr_px=fwhm_px * rig.profile * (1 + 0.8 * at.dew + 0.004 *
                                                         random.standard_normal()),
        background_adu=500 + seconds * sky * 0.5, noise_adu=noise,
        ranked_flux_adu_s=float(ranked[24]) if len(ranked) > 24 else None,
        transparency=clear, throughput=clear, field_runs=1, shift_x_px=random.uniform(-15, 15),
        shift_y_px=random.uniform(-15, 15), matched_to=f"{name:f>32}", best_of_name=f"{name:f>32}",
        moon_alt_deg=30.0 if at.sky > 1 else -20.0,
    )  # fmt: skip


def told(made: Night) -> tuple[list[GradedLight], Story]:
    """Grade a night and tell its story."""
    verdicts = grade_run(made.frames, Policy())
    lights = [GradedLight(f, verdicts[f.key], verdicts[f.key].grade) for f in made.frames]
    return lights, tell(lights, Policy())


# --- what is drawn --------------------------------------------------------------------------


def clean(n: int, count: int, random: np.random.Generator) -> At:
    """Draw nothing."""
    return At()


def tree_plan(random: np.random.Generator, count: int) -> Plan:
    """Let a tree stand over 30 to 75 % of the night, at its start or end, growing or still."""
    frames = round(count * random.uniform(0.3, 0.75))
    side = random.uniform(0, 360)
    near, far = random.uniform(0.1, 0.5), random.uniform(0.55, 1.05)
    still, first = random.random() < 0.3, random.random() < 0.5
    wall = random.choice([0.2, 0.45, 1.5])
    moon = random.choice([1.0, 1.6])

    def at(n: int, count: int, random: np.random.Generator) -> At:
        behind = n if first else count - 1 - n
        if behind >= frames:
            return At(sky=moon)
        cover = near if still else far + (near - far) * behind / max(frames - 1, 1)
        return At(cover=cover, side_deg=side, wall=wall, sky=moon)

    return at


def dew_plan(random: np.random.Generator, count: int) -> tuple[Plan, int]:
    """Let dew grow from a frame on, evenly or ever faster, to the night's end or a wipe."""
    start = int(random.integers(count // 8, count // 2))
    hold = random.uniform(0.5, 1.0)
    end = start + int(hold * (count - start))
    most, power = random.uniform(0.35, 1.0), random.choice([1.0, 1.0, 1.4])

    def at(n: int, count: int, random: np.random.Generator) -> At:
        if not start <= n < end:
            return At()
        return At(dew=most * ((n - start + 1) / (end - start)) ** power)

    return at, start


def cirrus_plan(random: np.random.Generator, count: int, frame_s: float) -> tuple[Plan, int]:
    """Let two hours of cirrus take 5 to 15 % of the light."""
    frames = math.ceil(7200 / frame_s)
    first = int(random.integers(0, max(count - frames, 1)))
    phase, deep = random.uniform(0, 6), random.uniform(0.06, 0.14)

    def at(n: int, count: int, random: np.random.Generator) -> At:
        if not first <= n < first + frames:
            return At()
        wave = deep + 0.03 * math.sin(phase + n / 3)
        return At(clear=1 - min(max(wave, 0.05), 0.15))

    return at, first


def plateau_plan(random: np.random.Generator, count: int, frame_s: float) -> Plan:
    """Let half of the light be lost for an hour under an unchanged sky, and be back at once."""
    frames = math.ceil(3600 / frame_s)
    first = int(random.integers(0, count - frames))
    left = random.uniform(0.4, 0.65)

    def at(n: int, count: int, random: np.random.Generator) -> At:
        lost = first <= n < first + frames
        # `sky` takes out what cloud of this depth would throw back: the sky stays as it is.
        return At(clear=left, sky=1 / (1 + 0.55 * (1 - left))) if lost else At()

    return at


# --- tables ---------------------------------------------------------------------------------


def _of(story: Story, kind: str) -> list[Event]:
    return [e for e in story.events if e.kind == kind]


@dataclass(frozen=True, slots=True)
class Tally:
    """How many of what was drawn came out so, and how many are asked for."""

    what: str
    hit: int
    of: int
    asked: str = ""

    @property
    def share(self) -> float:
        """Share that came out so."""
        return self.hit / max(self.of, 1)

    def __str__(self) -> str:
        counts = f"{self.hit:5d} of {self.of:5d} {100 * self.share:6.1f} %"
        return f"{self.what:52s} {counts}   {self.asked}"


def _frames_for(rig: Rig) -> int:
    return 60 if rig.exposure_s < 200 else 48


def trees(rig: Rig, nights: int, wrong: list[str]) -> list[Tally]:
    """Count clean frames kept and covered frames named."""
    kept = clear = named = third = events = 0
    for seed in range(nights):
        random, count = np.random.default_rng(7000 + seed), _frames_for(rig)
        made = night(rig, tree_plan(random, count), count, seed)
        lights, story = told(made)
        events += len(_of(story, "obstruction")) == 1
        for n, (light, at) in enumerate(zip(lights, made.truth, strict=True)):
            if at.cover == 0:
                clear += 1
                kept += light.grade is Grade.KEEP
            elif at.cover >= 1 / 3:
                third += 1
                named += light.has(FaultName.OBSTRUCTED)
            bad = light.grade is not Grade.KEEP if at.cover == 0 else (
                at.cover >= 1 / 3 and not light.has(FaultName.OBSTRUCTED))  # fmt: skip
            if bad:
                got = light.frame.measurement
                said = "; ".join(f.evidence for f in light.verdict.faults)
                wrong.append(f"tree {seed} frame {n} {at} {got.stars} {got.zone_stars}: {said}")
    return [
        Tally("tree: clean frames kept", kept, clear, "95 %"),
        Tally("tree: frames covered by a third named obstructed", named, third, "95 %"),
        Tally("tree: nights with one obstruction event", events, nights),
    ]


def dew(rig: Rig, nights: int, wrong: list[str]) -> list[Tally]:
    """Count nights whose dew begins within three frames of the truth."""
    near = named = dewed = 0
    for seed in range(nights):
        random, count = np.random.default_rng(8000 + seed), _frames_for(rig)
        plan, start = dew_plan(random, count)
        made = night(rig, plan, count, 100 + seed)
        lights, story = told(made)
        found = [
            next(n for n, t in enumerate(lights) if t.frame.key == e.first)
            for e in _of(story, "dew")
        ]
        near += len(found) == 1 and abs(found[0] - start) <= START_ASKED
        if not (len(found) == 1 and abs(found[0] - start) <= START_ASKED):
            wrong.append(f"dew {seed}: from {start}, found {found}")
        for light, at in zip(lights, made.truth, strict=True):
            if at.dew >= 0.3:
                dewed += 1
                named += light.has(FaultName.DEW)
    return [
        Tally("dew: nights with its start within 3 frames", near, nights, "all"),
        Tally("dew: frames with 30 % of it named dew", named, dewed),
    ]


def cirrus(rig: Rig, nights: int, wrong: list[str]) -> list[Tally]:
    """Count nights whose two hours of cirrus are mentioned, all frames kept."""
    found = kept = frames = 0
    for seed in range(nights):
        random, count = np.random.default_rng(9000 + seed), _frames_for(rig) * 2
        plan, first = cirrus_plan(random, count, rig.exposure_s + 18)
        lights, story = told(night(rig, plan, count, 200 + seed))
        said = [e for e in _of(story, "cloud") if "thin cloud" in e.text]
        found += bool(said)
        frames += count
        kept += sum(t.grade is Grade.KEEP for t in lights)
        if not said:
            wrong.append(f"cirrus {seed}: from {first} of {count}")
    return [
        Tally("cirrus: nights in which it is mentioned", found, nights, "all"),
        Tally("cirrus: frames kept", kept, frames),
    ]


def plateaus(rig: Rig, nights: int, wrong: list[str]) -> list[Tally]:
    """Count frames of a plateau that are no cloud."""
    named = clouded = lost = 0
    for seed in range(nights):
        random, count = np.random.default_rng(9500 + seed), _frames_for(rig)
        plan = plateau_plan(random, count, rig.exposure_s + 18)
        made = night(rig, plan, count, 300 + seed)
        lights, _ = told(made)
        for light, at in zip(lights, made.truth, strict=True):
            if at.clear < 1:
                lost += 1
                clouded += light.has(FaultName.CLOUD)
                named += light.has(FaultName.DEW)
    return [
        Tally("plateau: frames named light lost at one level", named, lost),
        Tally("plateau: frames named cloud", clouded, lost, "none"),
    ]


def clean_nights(rig: Rig, nights: int, wrong: list[str]) -> list[Tally]:
    """Count what is told of clean nights."""
    kept = frames = told_of = 0
    for seed in range(nights):
        count = _frames_for(rig)
        lights, story = told(night(rig, clean, count, 400 + seed))
        frames += count
        kept += sum(t.grade is Grade.KEEP for t in lights)
        false = [e for e in story.events if e.kind in ("cloud", "dew", "obstruction")]
        told_of += bool(false)
        wrong.extend(f"clean {seed}: {e.kind} {e.text}" for e in false)
        wrong.extend(
            f"clean {seed} {t.frame.measurement.zone_stars}: {t.verdict.faults}"
            for t in lights
            if t.grade is not Grade.KEEP
        )
    return [
        Tally("clean: frames kept", kept, frames, "98 %"),
        Tally("clean: nights with false cloud, dew or obstruction", told_of, nights, "none"),
    ]


PARTS = {"clean": clean_nights, "trees": trees, "dew": dew, "cirrus": cirrus, "plateaus": plateaus}


def lines(nights: int, parts: Sequence[str], wrong: list[str]) -> list[str]:
    """Draw and judge nights of each kind, for both rigs, and for each with few stars."""
    said = []
    for rig in RIGS:
        for own in (rig, replace(rig, stars=rig.stars // 4)):
            said.append(f"{own.shape[1]} x {own.shape[0]} px, {own.stars} stars in the field")
            for part in parts:
                said += map(str, PARTS[part](own, nights, wrong))
    return said


def main() -> None:
    """Report on the nights that the command line asks for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--nights", type=int, default=20)
    parser.add_argument("--only", nargs="*", choices=PARTS, default=list(PARTS))
    parser.add_argument("--list", type=int, default=0, help="so many misjudged ones")
    asked = parser.parse_args()
    wrong: list[str] = []
    for line in lines(asked.nights, asked.only, wrong):
        print(line)
    for line in wrong[: asked.list]:
        print(line)


if __name__ == "__main__":
    main()
