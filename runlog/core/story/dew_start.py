"""Where dew began: halos grow and light is lost long before a frame suffers from it."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median

import numpy as np
import numpy.typing as npt

from runlog.core.frame import FaultName, Frame
from runlog.core.grading.baseline import light_group, profile, shape_group
from runlog.core.quantiles import quantile
from runlog.core.robust import MAD_TO_SIGMA
from runlog.core.story.model import GradedLight, Lights

F64 = npt.NDArray[np.float64]

FIRST_OF_DEW = 6  # frames of it that say how fast it grows
REFINED = 2  # times
PLAIN = 8.0  # times the noise
WANDER_AN_HOUR = 0.02  # of the light, by what the air takes low down; of the profile, by seeing
LEAST_NOISE = 0.003  # of the profile and the light: the best that a frame tells of them
OTHER_TROUBLE = (
    FaultName.CLOUD,
    FaultName.OBSTRUCTED,
    FaultName.TRAILED,
    FaultName.DOUBLED,
    FaultName.DEFOCUSED,
    FaultName.READOUT,
    FaultName.OFF_TARGET,
)


@dataclass(frozen=True, slots=True)
class _Signal:
    """One way in which dew shows, against what was usual before it."""

    hours: F64  # (n,)
    grown: F64  # (n,) share by which it is off the usual
    noise: float  # one standard deviation

    def until_grown(self, start_h: float) -> "_Signal":
        """Leave out what comes after it has grown enough to be plain."""
        after = np.flatnonzero(self.hours >= start_h)
        plain = np.flatnonzero((self.hours >= start_h) & (self.grown >= PLAIN * self.noise))
        last = max(plain[0] if len(plain) else len(self.hours), (after[:1] + FIRST_OF_DEW)[0])
        return _Signal(self.hours[: last + 1], self.grown[: last + 1], self.noise)

    def misfit(self, start_h: float) -> float:
        """Give the squares, in units of the noise, by which growth from a time on misses it.

        What is fitted is a level that may wander slowly, and from `start_h` a step and a rise that
        is even in time. How fast a level wanders is known to `WANDER_AN_HOUR`, which is one more
        thing to fit.
        """
        rise = np.clip(self.hours - start_h, 0.0, None)
        step = (self.hours >= start_h).astype(float)
        by = np.stack([np.ones_like(rise), self.hours, step, rise], axis=1) / self.noise
        by = np.vstack([by, [0.0, 1 / WANDER_AN_HOUR, 0.0, 0.0]])
        got = np.append(self.grown / self.noise, 0.0)
        # Dew only takes light: a step or a rise that gives some back is left out.
        fits = (_fitted(by[:, use], got) for use in ([0, 1], [0, 1, 2], [0, 1, 3], [0, 1, 2, 3]))
        return min(misfit for misfit, grown in fits if min(grown, default=0.0) >= 0)


def _fitted(by: F64, got: F64) -> tuple[float, F64]:
    """Give the squares left by the best fit, and how much of what grows is in it."""
    best = np.linalg.lstsq(by, got, rcond=None)[0]
    return float(np.sum((got - by @ best) ** 2)), np.asarray(best[2:], dtype=np.float64)


def traced_back(lights: Lights, stretch: Lights) -> list[GradedLight]:
    """List the frames before a stretch of dew in which it already grew.

    The start is where an even growth of halos and an even loss of light, fitted together to the
    frames before and the first of the stretch, begin with the least misfit.
    """
    first = next(n for n, light in enumerate(lights) if light is stretch[0])
    before = lights[_last_trouble(lights, first) : first]
    line = [*before, *stretch[:FIRST_OF_DEW]]
    signals = list(_signals(line, len(before)))
    if not before or not signals:
        return []
    zero = line[0].start
    hours = [(t.start - zero).total_seconds() / 3600 for t in line[: len(before) + 1]]
    best = _start_of(signals, hours)
    for _ in range(REFINED):  # by its first part alone: neither grows evenly for long
        best = _start_of(
            [s.until_grown(hours[best]) for s in signals], hours[: best + FIRST_OF_DEW]
        )
    return list(before[best:])


def _start_of(signals: Sequence[_Signal], hours: Sequence[float]) -> int:
    return min(range(len(hours)), key=lambda n: (sum(s.misfit(hours[n]) for s in signals), n))


def _last_trouble(lights: Lights, first: int) -> int:
    """Give where the frames before a stretch begin that show nothing but it."""
    troubled = (n for n in range(first - 1, -1, -1) if lights[n].has(FaultName.DEW))
    return next(troubled, -1) + 1


def _signals(line: Lights, before: int) -> Iterator[_Signal]:
    usable = [n for n, t in enumerate(line) if not t.has(*OTHER_TROUBLE)]
    own = [line[n] for n in usable]
    foot = sum(n < before for n in usable)
    if foot < 2:
        return
    profiles = [profile(t.frame) for t in own]
    lights = [t.frame.placement.transparency for t in own]
    halos = _against_usual(own, profiles, shape_group, lowest=True)
    lost = [None if x is None else -x for x in _against_usual(own, lights, light_group)]
    for values in (halos, lost):
        signal = _signal(own, values, foot, line[0].start)
        if signal is not None:
            yield signal


def _against_usual(
    own: Lights,
    values: Sequence[float | None],
    group: Callable[[Frame], tuple[object, ...]],
    *,
    lowest: bool = False,
) -> list[float | None]:
    """Give each value as a share off the good quarter of its group's."""
    groups: dict[object, list[float]] = {}
    for light, value in zip(own, values, strict=True):
        if value is not None:
            groups.setdefault(group(light.frame), []).append(value)
    usual = {key: quantile(members, 0.25 if lowest else 0.75) for key, members in groups.items()}
    return [
        None if v is None else v / usual[group(t.frame)] - 1
        for t, v in zip(own, values, strict=True)
    ]


def _signal(
    own: Lights, values: Sequence[float | None], foot: int, zero: datetime
) -> _Signal | None:
    known = [(t, v) for t, v in zip(own, values, strict=True) if v is not None]
    if len(known) < 4:
        return None
    hours = np.array([(t.start - zero).total_seconds() / 3600 for t, _ in known])
    grown = np.array([v for _, v in known])
    steps = np.abs(np.diff(grown[: max(foot, 4)]))
    noise = MAD_TO_SIGMA * float(median(steps)) / 2**0.5
    return _Signal(hours, grown, max(noise, LEAST_NOISE))
