"""Jumps in the level of whole lines (rows, or columns), without a step of whole numbers in them."""

from collections.abc import Collection
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d, median_filter

from runlog.core.medians import median_of_rows, median_or_nan
from runlog.core.robust import MAD_TO_SIGMA
from runlog.core.sensor.signs import Break, bands_of

Array = npt.NDArray[Any]
F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Mask = npt.NDArray[np.bool_]

CHUNK = 64  # lines worked on at a time; they stay in the processor's cache
CLIP = 2.5  # differences beyond so many sigma are stars, not the level
REACH = (1, 2, 4, 8)  # lines on each side whose means are compared
SURE = 5.0  # of the scatter of such means in the frame; noise alone comes to 4.7
ONE_STEP = 1.5  # times the step between values: so far the mean of one step's jump may come out
LEAST_SIGMA = 0.2  # smaller jumps, in units of the pixel noise, do no harm and are not kept
SHARP = 0.55  # of a jump lies between two neighbouring lines; a blurred edge takes several
SHARP_PAIRS = 0.4  # where two lines are one, a jump may fall between them
BLOCKS, BLOCKS_ALIKE = 8, 6  # a jump runs along the whole line, a star or a tree does not
BLOCK_SHARE = 0.35  # of the jump that each part must show
UNEVEN, UNEVEN_ERRORS = 0.5, 2.5  # of the jump, and errors: so far a part may lie from it
MOST = 64  # jumps kept of one frame, the strongest
MOST_TRIED = 200
SPREAD_LINES, DRAWN_FROM = 67, 5
LINES_ASKED = 60  # for the noise, and whether the frame is a mosaic
PARITY_SIGMA = 0.5  # difference of every second line that makes it a mosaic


@dataclass(frozen=True, slots=True)
class Lines:
    """Sampled lines; each stands for `each` of the frame's, since a mosaic's go in pairs."""

    values: F32  # (lines, samples), in ADU, whole numbers spread by the dither
    blank: Mask  # (lines,)
    sigma_adu: float  # noise of the difference of two neighbouring pixels of a column
    each: int = 1
    grain_adu: float = 0.0  # the step between values, before they were spread

    @classmethod
    def of(cls, lines: Array, blank: Mask, *, mosaic: bool) -> Self:
        """Take lines as sampled; pairs of them where neighbours see different colours."""
        values: F32 = np.array(lines, np.float32, order="C")
        grain = grain_adu(lines)
        if grain:
            values = _spread(values, grain)
        sigma_adu = _difference_sigma(values, blank)
        if mosaic or _alternates(values, blank, sigma_adu):
            whole = len(values) // 2 * 2
            values = (values[0:whole:2] + values[1:whole:2]) * np.float32(0.5)
            pairs = blank[0:whole:2] | blank[1:whole:2]
            return cls(values, pairs, _difference_sigma(values, pairs), 2, grain)
        return cls(values, blank, sigma_adu, 1, grain)


def grain_adu(values: Array) -> float:
    """
    Find the step between the values a frame can hold; 0 for numbers that are not whole.

    Twelve bits stored in the upper part of sixteen have a step of 16 ADU.
    """
    sample = np.asarray(values[:: max(1, len(values) // 40)]).ravel()[:20_000]
    if sample.dtype.kind == "f":
        sample = sample[np.isfinite(sample)]
        if sample.size == 0 or (sample != np.rint(sample)).any() or np.abs(sample).max() > 2**40:
            return 0.0
    whole = sample.astype(np.int64)
    return float(np.gcd.reduce(whole - whole[0])) if whole.size else 0.0


def _spread(values: F32, grain: float) -> F32:
    """Spread whole numbers over the step they stand for, otherwise in each of some lines."""
    # Drawn, not laid out: the same place in the next line must be spread otherwise.
    random = np.random.default_rng(DRAWN_FROM)
    pattern = (random.random((SPREAD_LINES, values.shape[1]), np.float32) - 0.5) * np.float32(grain)
    for start in range(0, len(values), SPREAD_LINES):
        part = values[start : start + SPREAD_LINES]
        part += pattern[: len(part)]
    return values


def _difference_sigma(values: F32, blank: Mask) -> float:
    """Robust scatter of the difference of neighbouring lines, their levels taken out."""
    known = np.flatnonzero(~blank[1:] & ~blank[:-1])
    some = known[:: max(1, len(known) // LINES_ASKED)]
    apart = _level_taken_out(values[some + 1] - values[some])
    apart = np.abs(apart[np.isfinite(apart) & (apart != 0)])
    return MAD_TO_SIGMA * float(median_of_rows(apart)) if apart.size else 0.0


def _level_taken_out(apart: F32) -> F32:
    middle = median_or_nan(apart)
    return np.asarray(apart - np.where(np.isfinite(middle), middle, 0)[:, None], np.float32)


def _alternates(values: F32, blank: Mask, sigma_adu: float) -> bool:
    """Tell whether every second line has another level, as in a mosaic that does not say so."""
    known = np.flatnonzero(~blank[1:] & ~blank[:-1])
    if len(known) < LINES_ASKED // 2:
        return False
    some = known[np.unique(np.linspace(0, len(known) - 1, LINES_ASKED).astype(int))]
    apart = values[some + 1] - values[some]
    # Every second pixel of a line may see a colour of its own.
    for part in (apart[:, ::2], apart[:, 1::2]):
        middle = median_or_nan(part)
        even, odd = (middle[(some % 2 == side) & np.isfinite(middle)] for side in (0, 1))
        if len(even) and len(odd):
            size_adu = abs(float(np.median(even) - np.median(odd))) / 2
            if size_adu > PARITY_SIGMA * sigma_adu > 0:
                return True
    return False


def find_breaks(lines: Lines) -> tuple[Break, ...]:
    """
    Find the lines at which the level jumps along their whole length.

    The difference of neighbouring lines, pixel by pixel, knows no gradient, vignetting or
    galaxy; what lies beyond 2.5 sigma is left out of its mean, so stars are not in it either. A
    mean has no steps of whole numbers as a median has. A jump must be far above the scatter of
    such means in this frame, sharp between two lines, and there in most eighths of the line.

    Parameters
    ----------
    lines : Lines
        Rows or columns of a frame, ADU.

    Returns
    -------
    tuple of Break
        By place; heights in the noise of a pixel.
    """
    if lines.sigma_adu <= 0 or len(lines.values) < 4 * max(REACH):
        return ()
    noise_adu = lines.sigma_adu / np.sqrt(2)
    steps = _steps(lines) / noise_adu
    tried = _candidates(steps, SHARP if lines.each == 1 else SHARP_PAIRS)
    # Averaged pairs have less noise than one pixel has.
    pixel_adu = noise_adu * np.sqrt(lines.each)
    found = [b for at, reach in tried if (b := _confirmed(lines, at, reach, pixel_adu))]
    strongest = sorted(found, key=lambda b: -abs(b.jump_sigma))[:MOST]
    return _beyond_rounding(strongest, lines.grain_adu)


def _beyond_rounding(breaks: Collection[Break], grain: float) -> tuple[Break, ...]:
    """Leave out a staircase of single steps between values: a slope put on whole numbers is one."""
    stay = {b.first for b in bands_of(breaks) if b.last is None}
    single = [b for b in breaks if b.at in stay and abs(b.jump_adu) <= ONE_STEP * grain]
    up = sum(b.jump_adu > 0 for b in single)
    stairs = {b.at for b in single if (up if b.jump_adu > 0 else len(single) - up) >= 2}
    return tuple(sorted((b for b in breaks if b.at not in stairs), key=lambda b: b.at))


def _steps(lines: Lines) -> F64:
    """Level of each line minus that of the line before it, in ADU; the first is 0."""
    found = np.zeros(len(lines.values))
    for start in range(0, len(found) - 1, CHUNK):
        part = lines.values[start : start + CHUNK + 1]
        found[start + 1 : start + len(part)] = _shift_of(part[1:] - part[:-1], lines.sigma_adu)
    gone = lines.blank.copy()
    gone[1:] |= lines.blank[:-1]
    found[gone] = 0.0
    return found


def _shift_of(apart: F32, sigma_adu: float) -> F64:
    """Mean of each row of differences, outliers left out."""
    known = np.isfinite(apart)
    whole = bool(known.all())
    if not whole:
        apart = np.where(known, apart, 0.0)
    reach = np.float32(CLIP * sigma_adu)
    middle = np.clip(apart, -reach, reach).mean(axis=1)
    far = np.abs(middle) > 0.4 * reach
    if far.any():
        middle[far] = np.median(apart[far], axis=1)
    rest = apart - middle[:, None]
    near = np.abs(rest) < reach
    if not whole:
        near &= known
    rest *= near
    return np.asarray(middle + rest.sum(axis=1) / np.maximum(near.sum(axis=1), 1), np.float64)


def _candidates(steps: F64, sharp: float) -> list[tuple[int, int]]:
    """Find lines (and over how many lines to compare) where the level seems to jump."""
    level = np.cumsum(steps)
    single = steps - median_filter(steps, 17, mode="nearest")
    best = np.zeros(len(steps))
    reach = np.ones(len(steps), np.int64)
    size = np.zeros(len(steps))
    for k in REACH:
        jump = _means_apart(level, k)
        jump -= median_filter(jump, 6 * k + 9, mode="nearest")
        scatter = MAD_TO_SIGMA * float(median_of_rows(np.abs(jump)))
        ratio = np.abs(jump) / max(scatter, 1e-9)
        better = ratio > best
        best[better], reach[better], size[better] = ratio[better], k, jump[better]
    sure = (best >= SURE) & (np.abs(size) >= LEAST_SIGMA) & (size * single > 0)
    sure &= np.abs(single) >= sharp * np.abs(size)
    # Up and down apart: they follow each other at once where a single line stands out.
    at = np.flatnonzero(_peaks(single * sure) | _peaks(-single * sure))
    order = at[np.argsort(-best[at], kind="stable")][:MOST_TRIED]
    return [(int(i), int(reach[i])) for i in order]


def _peaks(jumps: F64) -> Mask:
    """Tell which positive jumps are larger than those beside them."""
    return np.asarray((jumps > 0) & (jumps >= maximum_filter1d(jumps, 3)))


def _means_apart(level: F64, k: int) -> F64:
    """Mean level of k lines from each line on, minus that of the k lines before it."""
    padded = np.concatenate([np.full(k, level[0]), level, np.full(k, level[-1])])
    total = np.concatenate([[0.0], np.cumsum(padded)])
    at = np.arange(len(level)) + k
    return np.asarray((total[at + k] - 2 * total[at] + total[at - k]) / k)


def _confirmed(lines: Lines, at: int, reach: int, pixel_adu: float) -> Break | None:
    """
    Look at the parts of a line one by one: a jump of the read-out is in all, and even.

    What a star leaves behind in its row fades from part to part.
    """
    values = lines.values
    behind = values[at : at + reach].mean(axis=0)
    before = values[max(0, at - reach) : at].mean(axis=0)
    parts = np.array_split(behind - before, BLOCKS)
    jumps = np.array([np.median(p[np.isfinite(p)]) if np.isfinite(p).any() else 0 for p in parts])
    jump = float(np.median(jumps))
    there = jumps * np.sign(jump) >= BLOCK_SHARE * abs(jump)
    error_adu = lines.sigma_adu * np.sqrt(np.pi / 2 / reach / parts[0].size)
    even = np.abs(jumps - jump) <= UNEVEN * abs(jump) + UNEVEN_ERRORS * error_adu
    alike = min(np.count_nonzero(there), np.count_nonzero(even))
    if alike < BLOCKS_ALIKE or abs(jump) < LEAST_SIGMA * pixel_adu:
        return None
    return Break(at * lines.each, jump, float(jump / pixel_adu))
