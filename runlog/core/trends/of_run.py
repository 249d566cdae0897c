"""What one run says to the series of its rig: points, or why it has none."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from statistics import median
from typing import NamedTuple

from runlog.core.frame import Grade, Kind
from runlog.core.grading.summary import RunSummary
from runlog.core.trends import of_filters as per
from runlog.core.trends.numbers import LevelNumbers, LightNumbers, RunNumbers
from runlog.core.trends.of_filters import FEW_KEPT, FEWEST_KEPT, FilterRun, NumberOrWhy

FEWEST_LEVELS = 3  # bias or dark frames of a night: one may have light in it


class Key(NamedTuple):
    """Which points make one series."""

    kind: str
    filter: str = ""
    setting: str = ""


class RunPoint(NamedTuple):
    """What a run gives to one series."""

    key: Key
    version: int  # of the measurement; 0 where nothing measured goes into it
    value: NumberOrWhy


class DarkLevel(NamedTuple):
    """The level of a run's dark frames: their signal lies above bias frames of some night."""

    setting: str
    alike: str  # length and temperature, in words
    exposure_s: float | None
    level_adu: float


@dataclass(frozen=True, slots=True)
class RunPoints:
    """Everything a run says."""

    points: tuple[RunPoint, ...] = ()
    darks: tuple[DarkLevel, ...] = ()


def points_of(run: RunNumbers) -> RunPoints:
    """Make the points of a run, by its own frames alone."""
    points = (*_of_filters(run), *_of_run(run), *_of_biases(run))
    return RunPoints(points, tuple(_darks(run)))


# --- one filter and setting ---------------------------------------------------------------

_BY_BINNING: Mapping[str, Callable[[FilterRun], NumberOrWhy]] = {
    "fwhm": per.fwhm,
    "eccentricity": per.eccentricity,
    "elongation": per.elongation,
    "tilt": per.tilt,
    "curvature": per.curvature,
}


def _of_filters(run: RunNumbers) -> Iterator[RunPoint]:
    groups: dict[tuple[str, str], list[LightNumbers]] = {}
    for light in run.lights:
        if light.measured_with is not None:
            groups.setdefault((light.filter, light.setting.in_words), []).append(light)
    for (name, setting), lights in sorted(groups.items()):
        version = max(f.measured_with or 0 for f in lights)
        of = FilterRun(_kept(lights, version), _summary_of(run, name, setting, version))
        few = FEW_KEPT if len(of.kept) < FEWEST_KEPT else None
        binning = lights[0].setting.binning_in_words
        for kind, value in _BY_BINNING.items():
            yield RunPoint(Key(kind, name, binning), version, few or value(of))
        yield RunPoint(Key("sky", name, setting), version, few or per.sky_adu_s(of))
        yield from _noise_and_hot(name, setting, version, of, few)


def _kept(lights: Sequence[LightNumbers], version: int) -> list[LightNumbers]:
    keep = Grade.KEEP.value
    return [f for f in lights if f.grade == keep and (f.measured_with or 0) == version]


def _summary_of(run: RunNumbers, name: str, setting: str, version: int) -> RunSummary | None:
    asked = (name, setting, version)
    return next((s for s in run.summaries if s.group == asked), None)


def _noise_and_hot(
    name: str, setting: str, version: int, of: FilterRun, few: str | None
) -> Iterator[RunPoint]:
    """Give what hangs on length and temperature, for the frames of the commonest of both."""
    if few is not None:
        return
    alike = _most_alike(of.kept)
    where = f"{setting}, {_length(alike[0].exposure_s)}, {_cold(alike[0].cold_c)}"
    enough = len(alike) >= FEWEST_KEPT
    few = None if enough else f"fewer than {FEWEST_KEPT} kept frames of one length and temperature"
    noise = few or per.noise_e(replace(of, kept=alike))
    yield RunPoint(Key("noise", name, where), version, noise)
    same = of.summary is not None and of.summary.exposure_s == alike[0].exposure_s
    ppm = of.summary.hot_pixels_ppm if of.summary is not None and same else None
    hot: NumberOrWhy = "hot pixels were not counted in frames alike" if ppm is None else ppm
    yield RunPoint(Key("hot-pixels", name, where), version, few or hot)


def _most_alike(lights: Sequence[LightNumbers]) -> list[LightNumbers]:
    counts = Counter((f.exposure_s or 0.0, _cold(f.cold_c)) for f in lights)
    chosen = max(counts, key=lambda kind: (counts[kind], kind))
    return [f for f in lights if (f.exposure_s or 0.0, _cold(f.cold_c)) == chosen]


def _cold(cold_c: float | None) -> str:
    return "temperature unknown" if cold_c is None else f"{round(cold_c)} C"


def _length(exposure_s: float | None) -> str:
    return "length unknown" if exposure_s is None else f"{exposure_s:g} s"


# --- a run as a whole -----------------------------------------------------------------------


def _of_run(run: RunNumbers) -> Iterator[RunPoint]:
    if not run.lights:
        return
    few = f"fewer than {FEWEST_KEPT} light frames" if len(run.lights) < FEWEST_KEPT else None
    yield RunPoint(Key("overhead"), 0, few or _overhead_s(run))
    yield RunPoint(Key("open-shutter"), 0, few or _open_share(run.lights))
    known = "the frames' lengths are unknown" if run.logged_s <= 0 else run.kept_s / run.logged_s
    yield RunPoint(Key("yield"), 0, few or known)


def _overhead_s(run: RunNumbers) -> NumberOrWhy:
    """Give the usual gap between exposures, each filter by its number of frames."""
    each = [
        s.overhead_s for s in run.summaries if s.overhead_s is not None for _ in range(s.frames)
    ]
    return median(each) if each else "the gaps between exposures are unknown"


def _open_share(lights: Iterable[LightNumbers]) -> NumberOrWhy:
    spans = [
        (f.taken_at_utc, f.taken_at_utc + timedelta(seconds=f.exposure_s))
        for f in lights
        if f.taken_at_utc is not None and f.exposure_s is not None
    ]
    if len(spans) < FEWEST_KEPT:
        return "times or lengths of frames are unknown"
    open_s = sum((end - start).total_seconds() for start, end in spans)
    elapsed_s = (max(e for _, e in spans) - min(s for s, _ in spans)).total_seconds()
    return min(open_s / elapsed_s, 1.0) if elapsed_s > 0 else "all frames began at one time"


# --- bias and dark frames -------------------------------------------------------------------


def _levels(run: RunNumbers, kind: Kind) -> dict[tuple[str, str], list[LevelNumbers]]:
    """Gather frames of one kind by setting, and darks by length and temperature too."""
    groups: dict[tuple[str, str], list[LevelNumbers]] = {}
    for f in run.levels:
        if f.kind == kind.value and f.median_adu is not None:
            more = "" if kind is Kind.BIAS else f", {_length(f.exposure_s)}, {_cold(f.cold_c)}"
            groups.setdefault((f.setting.in_words, more), []).append(f)
    return {key: own for key, own in groups.items() if len(own) >= FEWEST_LEVELS}


def _middle(frames: Sequence[LevelNumbers]) -> float:
    return median(f.median_adu for f in frames if f.median_adu is not None)


def _of_biases(run: RunNumbers) -> Iterator[RunPoint]:
    for (setting, _), frames in sorted(_levels(run, Kind.BIAS).items()):
        yield RunPoint(Key("bias-level", "", setting), 0, _middle(frames))
        noises = [f.noise_adu for f in frames if f.noise_adu is not None]
        yield RunPoint(Key("read-noise", "", setting), 0, median(noises))


def _darks(run: RunNumbers) -> Iterator[DarkLevel]:
    for (setting, alike), frames in sorted(_levels(run, Kind.DARK).items()):
        yield DarkLevel(setting, alike, frames[0].exposure_s, _middle(frames))
