"""Series of a rig from its runs. What has no number is counted with the reason."""

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from math import log10
from statistics import median

from runlog.core.columns import plural
from runlog.core.trends.kinds import KINDS, SeriesKind
from runlog.core.trends.of_filters import NumberOrWhy
from runlog.core.trends.of_run import DarkLevel, Key, RunPoint, RunPoints
from runlog.core.trends.points import Point, Series

BIAS_DAYS = 30  # the level of bias frames creeps; older ones tell no dark signal
NONE_OF_IT = {
    "read-noise": "no night has three single bias frames",
    "bias-level": "no night has three single bias frames",
    "dark-signal": "no night has three single dark frames",
}
NO_LIGHTS = "no night has light frames that were measured"


@dataclass(slots=True)
class _Gathered:
    """What was told of one series so far."""

    points: list[tuple[int, Point]] = field(default_factory=list)  # version of the measurement
    silent: Counter[str] = field(default_factory=Counter)  # why -> runs


Biases = Mapping[str, Sequence[tuple[int, float]]]  # setting -> (day, level)


def gather(rig: str, runs: Sequence[tuple[str, RunPoints]]) -> list[Series]:
    """Make every series of a rig, in the order of `KINDS`; a kind of which nothing is known too.

    `runs` are nights (ISO dates of the evenings) with what their runs say.
    """
    told: dict[Key, _Gathered] = defaultdict(_Gathered)
    for night, (key, version, value) in _all_points(runs):
        if isinstance(value, str):
            told[key].silent[value] += 1
        else:
            told[key].points.append((version, Point(night, value)))
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


def _all_points(runs: Sequence[tuple[str, RunPoints]]) -> Iterator[tuple[str, RunPoint]]:
    biases = _bias_levels(runs)
    for night, told in runs:
        for point in told.points:
            yield night, point
        for dark in told.darks:
            signal = _dark_signal(night, dark, biases.get(dark.setting, ()))
            yield night, RunPoint(Key("dark-signal", "", dark.setting + dark.alike), 0, signal)


def _bias_levels(runs: Sequence[tuple[str, RunPoints]]) -> Biases:
    found: dict[str, list[tuple[int, float]]] = {}
    for night, told in runs:
        for point in told.points:
            if point.key.kind == "bias-level" and not isinstance(point.value, str):
                found.setdefault(point.key.setting, []).append((_day(night), point.value))
    return found


def _dark_signal(night: str, dark: DarkLevel, biases: Sequence[tuple[int, float]]) -> NumberOrWhy:
    """Give the level of darks above the nearest bias frames, of two as near the earlier's."""
    near = sorted((abs(day - _day(night)), day, level) for day, level in biases)
    if not dark.exposure_s:
        return "the darks' length is unknown"
    if not near or near[0][0] > BIAS_DAYS:
        return f"no bias frames of this setting within {BIAS_DAYS} days"
    return (dark.level_adu - near[0][2]) / dark.exposure_s


def _day(night: str) -> int:
    return date.fromisoformat(night).toordinal()
