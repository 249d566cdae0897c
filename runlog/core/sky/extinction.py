"""What a clear sky takes of the light per airmass: the run's own slope, else a default."""

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from runlog.core.sky.clear_air import HIGHEST_SHARE, LOWEST_SHARE

F64 = npt.NDArray[np.float64]

# When a run's own slope is believed (common practice, no source): over a shorter arc a percent of
# noise makes a tenth of a magnitude of slope, and fewer frames may all be behind one cloud.
LEAST_SPAN = 0.3  # airmasses, among clear frames of one field
FEWEST_CLEAR = 10
CLEAR_SHARE = 0.5  # of the frames: on a cloudy night the largest group that agrees may be cloud
FEWEST_IN_THIRD = 2  # clear frames in each third of the arc
WORST_ERROR_MAG = 0.03  # standard error of the slope
MOST_AIRMASS = 3.0
ALIKE_MAG = 0.05  # clear frames agree within so much, seeing and noise included
STEP_MAG = 0.01  # between the slopes tried

TO_MAG = -2.5


@dataclass(frozen=True, slots=True)
class Sighting:
    """One frame's light against its reference, and the airmass it came through."""

    field: Hashable  # frames of one field have one reference
    airmass: float
    throughput: float


@dataclass(frozen=True, slots=True)
class Extinction:
    """Magnitudes lost per airmass, and the number of clear frames that told it."""

    mag: float
    frames: int = 0  # 0 for the default

    @property
    def source(self) -> str:
        """Say where the number is from."""
        if not self.frames:
            return "the filter's default"
        return f"this run's own slope, from {self.frames} clear frames"

    def corrected(self, throughput: float, airmass: float, reference_airmass: float) -> float:
        """Give the light a frame would have had at the airmass of its reference."""
        return float(throughput * 10 ** (0.4 * self.mag * (airmass - reference_airmass)))


def run_extinction(sightings: Iterable[Sighting], default_mag: float) -> Extinction:
    """Fit the slope of one run and filter; the default where the run cannot tell.

    Light is lost as m = m_0 + k X with X the airmass (Bouguer's law), m_0 being each field's own.
    Cloud only ever takes light, so the slope is the one on which most frames agree within
    `ALIKE_MAG`, refined by least squares over those; a run that is mostly cloud, too short an
    arc, too few frames or a slope no clear sky has leave the default.

    Parameters
    ----------
    sightings : frames of one run and filter, in any order; the result does not depend on it.
    default_mag : magnitudes per airmass, from the table of filters.

    Returns
    -------
    Extinction
        In magnitudes per airmass.
    """
    default = Extinction(default_mag)
    fields = _fields(sightings)
    if not fields:
        return default
    slopes = _tried(default_mag)
    counts = np.sum([_agreeing(x, loss, slopes).sum(axis=1) for x, loss in fields], axis=0)
    # Of equally good ones the middle, so that neither end of the range is preferred.
    best = float(np.mean(slopes[counts == counts.max()]))
    clear = [_agreeing(x, loss, np.array([best]))[0] for x, loss in fields]
    told = [
        (x[use], loss[use]) for (x, loss), use in zip(fields, clear, strict=True) if use.sum() > 1
    ]
    return _believed(told, sum(len(x) for x, _ in fields), default_mag) or default


def _tried(default_mag: float) -> F64:
    """List the slopes tried, a little beyond those believed, so that an edge shows as one."""
    low = LOWEST_SHARE * default_mag - 5 * STEP_MAG
    return np.arange(low, HIGHEST_SHARE * default_mag + 5 * STEP_MAG, STEP_MAG)


def _fields(sightings: Iterable[Sighting]) -> list[tuple[F64, F64]]:
    """Gather airmass and loss in magnitudes by field, those with an arc that could tell."""
    groups: dict[Hashable, list[tuple[float, float]]] = {}
    for s in sightings:
        if 1.0 <= s.airmass <= MOST_AIRMASS and s.throughput > 0:
            groups.setdefault(s.field, []).append((s.airmass, s.throughput))
    tables = [np.array(sorted(members)) for members in groups.values()]
    long = [t for t in tables if len(t) >= FEWEST_CLEAR and np.ptp(t[:, 0]) >= LEAST_SPAN]
    return [(t[:, 0], TO_MAG * np.log10(t[:, 1])) for t in long]


def _agreeing(x: F64, loss: F64, slopes: F64) -> npt.NDArray[np.bool_]:
    """Mark, for each slope (m, n), the largest set of frames within `ALIKE_MAG` of one another.

    Of equally large sets the one with the least loss is taken: cloud only takes light.
    """
    rest = loss - slopes[:, None] * x
    order = np.sort(rest, axis=1)
    ends = np.array([np.searchsorted(line, line + ALIKE_MAG, side="right") for line in order])
    first = np.argmax(ends - np.arange(len(x)), axis=1)
    low = np.take_along_axis(order, first[:, None], axis=1)
    return np.asarray((rest >= low) & (rest <= low + ALIKE_MAG))


def _believed(
    fields: Sequence[tuple[F64, F64]], frames: int, default_mag: float
) -> Extinction | None:
    clear = sum(len(x) for x, _ in fields)
    if clear < max(FEWEST_CLEAR, CLEAR_SHARE * frames) or not any(_wide(x) for x, _ in fields):
        return None
    x = np.concatenate([x - x.mean() for x, _ in fields])
    loss = np.concatenate([loss - loss.mean() for _, loss in fields])
    slope = float((x @ loss) / (x @ x))
    freedom = clear - len(fields) - 1
    error = float(np.sqrt(((loss - slope * x) ** 2).sum() / freedom / (x @ x)))
    low, high = LOWEST_SHARE * default_mag, HIGHEST_SHARE * default_mag
    if error > WORST_ERROR_MAG or not low <= slope <= high:
        return None
    return Extinction(slope, clear)


def _wide(x: F64) -> bool:
    """Tell whether clear frames lie all along an arc that is long enough."""
    thirds = np.histogram(x, bins=3)[0]
    return bool(np.ptp(x) >= LEAST_SPAN and thirds.min() >= FEWEST_IN_THIRD)
