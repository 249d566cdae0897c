"""Rows and columns that are the sensor's own: hot, dead or read at another level."""

from dataclasses import dataclass

import numpy as np

from runlog.core.medians import median_of_rows, median_of_stack
from runlog.core.robust import MAD_TO_SIGMA
from runlog.measure.pixels import F32, F64, I64, Mask

SEGMENT_PX = 128  # of a line: what is judged at a time, so that lines that begin midway are seen
CLIP_SIGMA = 4.0  # a bright star in a segment counts no more than this a pixel
SEEN_SIGMA = 5.0  # of a segment's mean
WIDEST_PX = 4  # more lines side by side are no single defect
AROUND_PX = 7  # looked at to either side of a defect
SURE_SIGMA = 25.0  # peak over the error of its profile: less cannot show a hard border
# A line of light that a telescope drew falls to a fifth or more from one pixel to the next: drawn
# for stars of 1.65 px and more at every place in a pixel. Under 1.5 px half a pixel's border falls
# deeper, where the line keeps to a border over its whole length.
HARD_SHARE = 0.12  # of its neighbour inside: what a hard border leaves outside, on both sides
VERY_HARD_SHARE = 0.03  # the same, where one side is enough
LEAST_SHARE = 0.25  # of the peak: the tails of any profile fall steeply
DRIFT_REACH_PX = 3  # about a line's middle, where its drift is looked for
MOST_DRIFT_PX = 0.3  # from its first third to its last
CORE_SHARE = 0.15  # of the peak: fainter columns are noise
HALF = 0.5  # of the peak: what belongs to the line
MOST_STEP = 0.5  # of the peak: where both sides differ by more it is an edge, not a line

Stretch = tuple[int, int, int, int]  # first and last line, first segment and the one behind


@dataclass(frozen=True, slots=True)
class SensorLine:
    """A piece of one to four columns, or of rows of the turned frame."""

    first: int  # column
    last: int
    start: int  # row
    stop: int


def mend_lines(light: F32, noise_adu: float) -> Mask | None:
    """
    Replace the sensor's own lines by what lies beside them, in place.

    A line is the sensor's own where it stands out in the same one to four columns (or rows) over
    a stretch, with hard borders: nothing that came through the telescope is so sharp.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame, ADU.
    noise_adu : float
        Noise of a pixel.

    Returns
    -------
    ndarray of bool, shape (h, w), or None
        Which pixels were replaced; None when none were.
    """
    if noise_adu <= 0 or min(light.shape) < SEGMENT_PX // 2:
        return None
    of_columns, of_rows = segment_means(light, CLIP_SIGMA * noise_adu)
    mended: Mask | None = None
    for turned, means in ((False, of_columns), (True, of_rows)):
        for line in sensor_lines(light.T if turned else light, means, noise_adu):
            mended = np.zeros(light.shape, bool) if mended is None else mended
            bridge(light.T if turned else light, line)
            marked = mended.T if turned else mended
            marked[line.start : line.stop, line.first : line.last + 1] = True
    return mended


def segment_means(light: F32, limit_adu: float) -> tuple[F64, F64]:
    """Clipped mean of each segment of every column, and of every row: (segments, lines)."""
    height, width = light.shape
    across = np.arange(0, width, SEGMENT_PX)
    down = np.arange(0, height, SEGMENT_PX)
    of_columns = np.empty((len(down), width))
    of_rows = np.empty((len(across), height))
    for number, start in enumerate(down):
        part = light[start : start + SEGMENT_PX].clip(-limit_adu, limit_adu)
        of_columns[number] = part.mean(axis=0)
        of_rows[:, start : start + len(part)] = np.add.reduceat(part, across, axis=1).T
    of_rows /= np.diff(np.append(across, width))[:, None]
    return of_columns, of_rows


def sensor_lines(light: F32, means: F64, noise_adu: float) -> list[SensorLine]:
    """Find the columns that are the sensor's own; for rows, hand in the turned frame."""
    height = light.shape[0]
    found = []
    sigmas, groups = standing_out(means)
    for first, last, start, stop in strong_enough(stretches(*groups), sigmas):
        line = SensorLine(first, last, start * SEGMENT_PX, min(height, stop * SEGMENT_PX))
        if is_sensors(light, line, noise_adu, doubt=-1.0):
            found.append(line)
    return found


def strong_enough(found: list[Stretch], sigmas: F64) -> list[Stretch]:
    """
    Keep stretches that could show a hard border: a quick look before the pixels are asked.

    A border is asked to stand `SURE_SIGMA` errors of a median out, 1.25 of those of a mean; half
    of that is let through.
    """
    if not found:
        return []
    first, last, start, stop = np.array(found).T
    total = np.concatenate([np.zeros((1, sigmas.shape[1])), np.cumsum(sigmas, axis=0)])
    columns = np.minimum(first + np.arange(WIDEST_PX)[:, None], last)
    strength = (total[stop, columns] - total[start, columns]).max(axis=0) / np.sqrt(stop - start)
    strong = strength > SURE_SIGMA * 1.25 / 2
    return [stretch for stretch, kept in zip(found, strong, strict=True) if kept]


def is_sensors(light: F32, line: SensorLine, noise_adu: float, doubt: float) -> bool:
    """
    Whether light stands in the same columns over a stretch of rows, with hard borders.

    Borders are hard up to a limit moved by the error times `doubt`: below zero, to be sure. What
    drifts by half a pixel is no column, though the median of each column has hard borders.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame, ADU.
    line : SensorLine
        Columns and stretch of rows, px.
    noise_adu : float
        Noise of a pixel.
    doubt : float
        In errors of a median.

    Returns
    -------
    bool
    """
    low = max(0, line.first - AROUND_PX)
    columns = light[line.start : line.stop, low : line.last + AROUND_PX + 1]
    middle = (line.first + line.last) // 2 - low
    error = 1.25 * noise_adu / np.sqrt(len(columns))  # of a median
    if not has_hard_borders(median_of_stack(columns).astype(float), middle, error, doubt):
        return False
    third = max(1, len(columns) // 3)
    reach = slice(max(0, middle - DRIFT_REACH_PX), middle + DRIFT_REACH_PX + 1)
    ends = [centre_of(part[:, reach]) for part in (columns[:third], columns[-third:])]
    return abs(ends[1] - ends[0]) < MOST_DRIFT_PX


def centre_of(columns: F32) -> float:
    """Middle of the light of some columns."""
    profile = np.abs(median_of_stack(columns))
    weight = np.where(profile > CORE_SHARE * profile.max(), profile, 0.0)
    return float(weight @ np.arange(len(weight)) / max(weight.sum(), 1e-30))


def standing_out(means: F64) -> tuple[F64, tuple[I64, I64, I64]]:
    """
    How far each segment's lines stand out, in its sigmas; and the narrow groups of lines.

    Of each group, which stands out against those beside it: segment, first and last line.
    """
    excess = means - beside(means)
    middle = median_of_rows(np.abs(excess))[:, None] * MAD_TO_SIGMA
    middle = np.maximum(middle, 1e-12)
    out = np.abs(excess) > SEEN_SIGMA * middle
    edged = np.zeros((out.shape[0], out.shape[1] + 2), np.int8)
    edged[:, 1:-1] = out
    step = np.diff(edged, axis=1)
    segment, first = np.nonzero(step == 1)
    last = np.nonzero(step == -1)[1] - 1
    narrow = last - first < WIDEST_PX
    return np.abs(excess) / middle, (segment[narrow], first[narrow], last[narrow])


def beside(means: F64) -> F64:
    """
    Level about each line that a group of up to four lines cannot drag along.

    The median of the line and of those three and four lines off to either side: of these five a
    group of four covers two at the most.
    """
    wide = np.pad(means, ((0, 0), (WIDEST_PX, WIDEST_PX)), mode="edge")
    width = means.shape[1]
    near = WIDEST_PX - 1
    offsets = (-WIDEST_PX, -near, 0, near, WIDEST_PX)
    places = (slice(WIDEST_PX + off, WIDEST_PX + off + width) for off in offsets)
    return median_of_five(*(wide[:, place] for place in places))


def median_of_five(a: F64, b: F64, c: F64, d: F64, e: F64) -> F64:
    """Median of five arrays, value by value: the two least and the two greatest fall away."""
    a, b = np.minimum(a, b), np.maximum(a, b)
    c, d = np.minimum(c, d), np.maximum(c, d)
    low, high = np.maximum(a, c), np.minimum(b, d)  # neither the least nor the greatest of four
    least, most = np.minimum(low, high), np.maximum(low, high)
    return np.asarray(np.clip(e, least, most))


def stretches(segment: I64, first: I64, last: I64) -> list[Stretch]:
    """Join groups that go on in the next segment: first and last line, start and end segment."""
    order = np.lexsort((segment, last, first))
    joined: list[Stretch] = []
    for s, a, b in zip(segment[order].tolist(), first[order].tolist(), last[order].tolist(),
                       strict=True):  # fmt: skip
        if joined and joined[-1][:2] == (a, b) and joined[-1][3] == s:
            joined[-1] = (*joined[-1][:3], s + 1)
        else:
            joined.append((a, b, s, s + 1))
    return joined


def has_hard_borders(profile: F64, middle: int, error: float, doubt: float) -> bool:
    """
    Tell whether the light at a place of a profile ends from one pixel to the next.

    Parameters
    ----------
    profile : ndarray, shape (n,)
        Median light of neighbouring columns.
    middle : int
        Where the line is; its peak lies within two pixels of it, or it is a band about it.
    error : float
        Of one value of the profile.
    doubt : float
        Errors by which the limit is moved.
    """
    inside = slice(max(0, middle - 2), middle + 3)
    sign = 1.0 if profile[inside].max() >= -profile[inside].min() else -1.0
    line = sign * profile
    peak = int(np.argmax(line[inside])) + inside.start
    first, last = extent(line, peak)
    sides = [float(np.median(side)) for side in (line[:first], line[last + 1 :]) if len(side)]
    if not sides:
        return False
    line = line - np.mean(sides)
    if line[peak] < SURE_SIGMA * error or np.ptp(sides) > MOST_STEP * line[peak]:
        return False
    shares = outside_shares(line, *extent(line, peak))
    slack = doubt * min(1.5 * error / float(line[peak]), HARD_SHARE / 2)
    very_hard = VERY_HARD_SHARE + min(0.0, slack)
    if shares and (max(shares) < HARD_SHARE + slack or min(shares) < very_hard):
        return True
    # unlike neighbours side by side: the outermost of them ends at once, on either side
    least = max(SURE_SIGMA * error, LEAST_SHARE * float(line[peak]))
    steepest = [steepest_share(way, least) for way in (line[peak::-1], line[peak:])]
    return max(steepest) < very_hard


def steepest_share(falling: F64, least: float) -> float:
    """Smallest share that one value is of the one before it, of those above a level."""
    sure = falling[:-1] > least
    return float((np.abs(falling[1:][sure]) / falling[:-1][sure]).min()) if sure.any() else 1.0


def outside_shares(line: F64, first: int, last: int) -> list[float]:
    """What the first value outside each end of an extent is of the last one inside."""
    return [
        abs(float(line[outside] / line[within]))
        for outside, within in ((first - 1, first), (last + 1, last))
        if 0 <= outside < len(line)
    ]


def extent(line: F64, peak: int) -> tuple[int, int]:
    """
    First and last place about the peak above half of it.

    Parameters
    ----------
    line : ndarray, shape (n,)
        Light across something narrow, of any unit.
    peak : int
        Index of its highest place.

    Returns
    -------
    first, last : int
    """
    level = HALF * line[peak]
    first = last = peak
    while first > 0 and line[first - 1] > level:
        first -= 1
    while last < len(line) - 1 and line[last + 1] > level:
        last += 1
    return first, last


def bridge(light: F32, line: SensorLine) -> None:
    """Draw straight from what lies left of a line to what lies right of it, in place."""
    rows = slice(line.start, line.stop)
    left, right = line.first - 1, line.last + 1
    ends = [at for at in (left, right) if 0 <= at < light.shape[1]]
    if len(ends) < 2:
        light[rows, line.first : line.last + 1] = light[rows, ends] if ends else 0
        return
    for at in range(line.first, line.last + 1):
        share = np.float32((at - left) / (right - left))
        light[rows, at] = (1 - share) * light[rows, left] + share * light[rows, right]
