"""Series of a rig from its runs. What has no number is counted with the reason."""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from math import log10
from statistics import median
from typing import NamedTuple

from runlog.core.columns import plural
from runlog.core.frame import Grade, Kind
from runlog.core.grading.summary import RunSummary
from runlog.core.trends import of_filters as per
from runlog.core.trends.kinds import KINDS, SeriesKind
from runlog.core.trends.numbers import LevelNumbers, LightNumbers, RunNumbers
from runlog.core.trends.of_filters import FEW_KEPT, FEWEST_KEPT, FilterRun, NumberOrWhy
from runlog.core.trends.series import Point, Series

FEWEST_LEVELS = 3  # bias or dark frames of a night: one may have light in it
BIAS_DAYS = 30  # the level of bias frames creeps; older ones tell no dark signal
NONE_OF_IT = {
    "read-noise": "no night has three single bias frames",
    "bias-level": "no night has three single bias frames",
    "dark-signal": "no night has three single dark frames",
}
NO_LIGHTS = "no night has light frames that were measured"


class Key(NamedTuple):
    """Which points make one series."""

    kind: str
    filter: str = ""
    setting: str = ""


@dataclass(slots=True)
class _Gathered:
    """What was told of one series so far."""

    points: list[tuple[int, Point]] = field(default_factory=list)  # version of the measurement
    silent: Counter[str] = field(default_factory=Counter)  # why -> runs


def gather(rig: str, runs: Sequence[RunNumbers]) -> list[Series]:
    """Make every series of a rig, in the order of `KINDS`; a kind of which nothing is known too."""
    told: dict[Key, _Gathered] = {}
    for key, night, version, value in _values(runs):
        own = told.setdefault(key, _Gathered())
        if isinstance(value, str):
            own.silent[value] += 1
        else:
            own.points.append((version, Point(night, value)))
    found = [_series(rig, key, told[key]) for key in sorted(told)]
    return [s for kind in KINDS.values() for s in _of_kind(rig, kind, found)]


def _of_kind(rig: str, kind: SeriesKind, found: Sequence[Series]) -> list[Series]:
    own = [s for s in found if s.kind == kind]
    return own or [Series(kind, rig, left_out=(NONE_OF_IT.get(kind.name, NO_LIGHTS),))]


def _series(rig: str, key: Key, told: _Gathered) -> Series:
    newest = max((version for version, _ in told.points), default=0)
    points = sorted((p for v, p in told.points if v == newest), key=lambda p: p.night)
    left = [f"{plural(n, 'night')} left out: {why}" for why, n in sorted(told.silent.items())]
    older = len(told.points) - len(points)
    if older:
        left.append(
            f"{plural(older, 'night')} left out: measured by an earlier version "
            "(runlog scan --remeasure)"
        )
    silent = sum(told.silent.values()) + older
    series = Series(
        KINDS[key.kind], rig, key.filter, key.setting, None, tuple(points), tuple(left), silent
    )
    return _relative(series) if key.kind == "sky" else series


def _relative(series: Series) -> Series:
    """Turn sky rates into magnitudes darker than the series' middle."""
    if not series.points:
        return series
    middle = median(p.value for p in series.points)
    points = (Point(p.night, -2.5 * log10(p.value / middle)) for p in series.points)
    return replace(series, points=tuple(points))


Value = tuple[Key, str, int, NumberOrWhy]


def _values(runs: Sequence[RunNumbers]) -> Iterator[Value]:
    biases = _bias_levels(runs)
    for run in runs:
        yield from _of_filters(run)
        yield from _of_run(run)
        yield from _of_levels(run, biases)


# --- one filter and setting of a run --------------------------------------------------------

_BY_BINNING: Mapping[str, Callable[[FilterRun], NumberOrWhy]] = {
    "fwhm": per.fwhm,
    "eccentricity": per.eccentricity,
    "elongation": per.elongation,
    "tilt": per.tilt,
    "curvature": per.curvature,
}


def _of_filters(run: RunNumbers) -> Iterator[Value]:
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
            yield Key(kind, name, binning), run.night, version, few or value(of)
        yield Key("sky", name, setting), run.night, version, few or per.sky_adu_s(of)
        yield from _noise_and_hot(run.night, name, setting, version, of, few)


def _kept(lights: Sequence[LightNumbers], version: int) -> list[LightNumbers]:
    keep = Grade.KEEP.value
    return [f for f in lights if f.grade == keep and (f.measured_with or 0) == version]


def _summary_of(run: RunNumbers, name: str, setting: str, version: int) -> RunSummary | None:
    asked = (name, setting, version)
    return next((s for s in run.summaries if s.group == asked), None)


def _noise_and_hot(
    night: str, name: str, setting: str, version: int, of: FilterRun, few: str | None
) -> Iterator[Value]:
    """Give what hangs on length and temperature, for the frames of the commonest of both."""
    if few is not None:
        return
    alike = _most_alike(of.kept)
    where = f"{setting}, {_length(alike[0].exposure_s)}, {_cold(alike[0].cold_c)}"
    enough = len(alike) >= FEWEST_KEPT
    few = None if enough else f"fewer than {FEWEST_KEPT} kept frames of one length and temperature"
    noise = few or per.noise_e(replace(of, kept=alike))
    yield Key("noise", name, where), night, version, noise
    same = of.summary is not None and of.summary.exposure_s == alike[0].exposure_s
    ppm = of.summary.hot_pixels_ppm if of.summary is not None and same else None
    hot: NumberOrWhy = "hot pixels were not counted in frames alike" if ppm is None else ppm
    yield Key("hot-pixels", name, where), night, version, few or hot


def _most_alike(lights: Sequence[LightNumbers]) -> list[LightNumbers]:
    counts = Counter((f.exposure_s or 0.0, _cold(f.cold_c)) for f in lights)
    chosen = max(counts, key=lambda kind: (counts[kind], kind))
    return [f for f in lights if (f.exposure_s or 0.0, _cold(f.cold_c)) == chosen]


def _cold(cold_c: float | None) -> str:
    return "temperature unknown" if cold_c is None else f"{round(cold_c)} C"


def _length(exposure_s: float | None) -> str:
    return "length unknown" if exposure_s is None else f"{exposure_s:g} s"


# --- a run as a whole -----------------------------------------------------------------------


def _of_run(run: RunNumbers) -> Iterator[Value]:
    if not run.lights:
        return
    few = f"fewer than {FEWEST_KEPT} light frames" if len(run.lights) < FEWEST_KEPT else None
    yield Key("overhead"), run.night, 0, few or _overhead_s(run)
    yield Key("open-shutter"), run.night, 0, few or _open_share(run.lights)
    known = "the frames' lengths are unknown" if run.logged_s <= 0 else run.kept_s / run.logged_s
    yield Key("yield"), run.night, 0, few or known


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

Biases = Mapping[str, Sequence[tuple[int, float]]]  # setting -> (day, level)


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


def _bias_levels(runs: Sequence[RunNumbers]) -> Biases:
    found: dict[str, list[tuple[int, float]]] = {}
    for run in runs:
        for (setting, _), frames in _levels(run, Kind.BIAS).items():
            found.setdefault(setting, []).append((_day(run.night), _middle(frames)))
    return found


def _of_levels(run: RunNumbers, biases: Biases) -> Iterator[Value]:
    for (setting, _), frames in sorted(_levels(run, Kind.BIAS).items()):
        yield Key("bias-level", "", setting), run.night, 0, _middle(frames)
        noises = [f.noise_adu for f in frames if f.noise_adu is not None]
        yield Key("read-noise", "", setting), run.night, 0, median(noises)
    for (setting, more), frames in sorted(_levels(run, Kind.DARK).items()):
        signal = _dark_signal(run.night, frames, biases.get(setting, ()))
        yield Key("dark-signal", "", setting + more), run.night, 0, signal


def _dark_signal(
    night: str, frames: Sequence[LevelNumbers], biases: Sequence[tuple[int, float]]
) -> NumberOrWhy:
    """Give the level of darks above the nearest bias frames, of two as near the earlier's."""
    near = sorted((abs(day - _day(night)), day, level) for day, level in biases)
    length = frames[0].exposure_s
    if not length:
        return "the darks' length is unknown"
    if not near or near[0][0] > BIAS_DAYS:
        return f"no bias frames of this setting within {BIAS_DAYS} days"
    return (_middle(frames) - near[0][2]) / length


def _day(night: str) -> int:
    return date.fromisoformat(night).toordinal()
