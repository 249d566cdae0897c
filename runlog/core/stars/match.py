"""Match a frame's stars to a reference frame's without a catalogue."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from math import exp, lgamma, log, radians, sin

import numpy as np
import numpy.typing as npt

from runlog.core.frame import StarList
from runlog.core.stars.neighbours import F64, I64, Points, sorted_points

Mask = npt.NDArray[np.bool_]

BRIGHTEST = 26  # stars of each list that form triangles
# Ranks of the first of them: where the brightest bloom or clip their centres lie elsewhere in each
# frame, and the next ones, which do not, are tried.
FIRST_RANKS = (0, 26, 52)
SHAPE_TOLERANCE = 0.004  # of a triangle's side ratios
MOST_GUESSES = 3000
CHANCE = 1e-10  # probability below which a set of pairs is no accident
FEWEST_PAIRS = 5
SCALE_RANGE = (0.2, 5.0)
SHORTEST_SIDE_PX = 20.0
TOLERANCE_PX = 2.5
SHIFT_CELL_PX = 4.0  # within which pairs are said to share a shift
OWN_PX = 0.1  # by which even a bright star is off: distortion, refraction, sampling
FAR_OFF = 3.0  # typical errors of a star
UPRIGHT = 0.05  # sine of a turn that changes nothing about how frames overlap
GRID = 20  # points along each side


@dataclass(frozen=True, slots=True)
class Match:
    """
    Where the reference's sky is in the other frame.

    A star at r in the reference is at s R (r - centre_ref) + centre + shift in the other frame.
    """

    shift_x_px: float
    shift_y_px: float
    rotation_deg: float  # -180 to 180, +x towards +y; 180 after a meridian flip
    scale: float
    pairs: tuple[tuple[int, int], ...]  # (star of the reference, star of the other frame)
    rms_px: float


def match_stars(
    reference: StarList,
    other: StarList,
    reference_size: tuple[int, int],
    other_size: tuple[int, int] | None = None,
    *,
    scales: tuple[float, float] = SCALE_RANGE,
) -> Match | None:
    """
    Find shift, rotation and scale between two star lists, or None when they do not match.

    The shift that most pairs of bright stars share, upright or turned by half, is tried first: it
    is what lies between most frames of one target. Else triangles of the brightest stars, else of
    those that follow, with the same side ratios propose a similarity. The proposal that brings
    most stars of both whole lists together is refined by least squares, and accepted when so many
    pairs have a chance below 1e-10 of being an accident.

    Parameters
    ----------
    reference, other : StarList
        Brightest first, positions in pixels.
    reference_size, other_size : (width, height)
        Frame sizes in pixels; the other's defaults to the reference's.
    scales : (least, most)
        Scales that are possible; frames of one rig and binning have one.

    Returns
    -------
    Match or None

    References
    ----------
    Triangles by their side ratios: Groth 1986, AJ 91, 1244; Valdes, Campusano, Velasquez and
    Stetson 1995, PASP 107, 1119 (both from memory). Errors of centroids: King 1983, PASP 95, 163.
    """
    here, there = points(reference), points(other)
    size = np.array(other_size or reference_size, float)
    if min(len(here), len(there)) < FEWEST_PAIRS:
        return None
    listed = sorted_points(there)
    for best in guesses(here, there, listed, scales):
        factor, offset, pairs = refined(best, here, there, listed, np.array(reference.flux_adu))
        if believable(pairs, factor, offset, here, there, size, scales):
            shape = np.array(reference_size, float)
            return as_match(factor, offset, pairs, here, there, shape, size)
    return None


def guesses(here: F64, there: F64, listed: Points, scales: tuple[float, float]) -> Iterator[F64]:
    """Give what is worth refining, the cheapest to find first."""
    if scales[0] < 1 < scales[1]:
        plain = best_guess(shifts(here[:BRIGHTEST], there[:BRIGHTEST]), here, listed, clear=True)
        if plain is not None:
            yield plain
    for first in FIRST_RANKS:
        some = slice(first, first + BRIGHTEST)
        best = best_guess(proposals(here[some], there[some], scales), here, listed)
        if best is not None:
            yield best


def shifts(here: F64, there: F64) -> F64:
    """Plain shifts that several pairs of two lists share, upright and turned by half.

    As factors (1 or -1) and offsets, (n, 2) complex, the most pairs first.
    """
    found = []
    for factor in (1.0, -1.0):
        offsets = (as_complex(there)[:, None] - factor * as_complex(here)).ravel()
        # Two grids, half a cell apart: no shift lies on the edge of a cell in both.
        for aside in (0.0, 0.5):
            across = np.floor(offsets.real / SHIFT_CELL_PX + aside).astype(np.int64)
            up = np.floor(offsets.imag / SHIFT_CELL_PX + aside).astype(np.int64)
            cells = across * (1 << 32) + up
            _, inverse, counts = np.unique(cells, return_inverse=True, return_counts=True)
            top = int(np.argmax(counts))
            found.append((-int(counts[top]), factor, np.mean(offsets[inverse == top])))
    found.sort(key=lambda one: one[0])
    return np.array([(factor, offset) for _, factor, offset in found], complex)


def points(stars: StarList) -> F64:
    """Positions as complex numbers: a similarity is then one multiplication and one addition."""
    return np.column_stack([stars.x, stars.y]).reshape(-1, 2).astype(float)


def proposals(here: F64, there: F64, scales: tuple[float, float] = SCALE_RANGE) -> F64:
    """Similarities (complex factor and offset) that lay a triangle of one list on the other's."""
    shape_a, corners_a = triangles(here)
    shape_b, corners_b = triangles(there)
    if len(shape_a) == 0 or len(shape_b) == 0:
        return np.zeros((0, 2), complex)
    first, second, _ = sorted_points(shape_b).close(shape_a, SHAPE_TOLERANCE)
    if len(first) == 0:
        return np.zeros((0, 2), complex)
    a, b = as_complex(here)[corners_a[first]], as_complex(there)[corners_b[second]]
    factor = (b[:, 2] - b[:, 0]) / (a[:, 2] - a[:, 0])
    # the middle corner must agree too: side ratios alone also match mirrored triangles
    misfit = np.abs(b[:, 0] + factor * (a[:, 1] - a[:, 0]) - b[:, 1])
    scale = np.abs(factor)
    keep = (misfit < TOLERANCE_PX) & (scale > scales[0]) & (scale < scales[1])
    offset = b[:, 0] - factor * a[:, 0]
    return likeliest(np.column_stack([factor, offset])[keep])


def as_complex(xy: F64) -> np.ndarray:
    return xy[:, 0] + 1j * xy[:, 1]


def triangles(xy: F64) -> tuple[F64, I64]:
    """Side ratios (middle/long, short/long) of all triangles, corners in a fixed order."""
    corners = np.array(list(combinations(range(len(xy)), 3)), np.int64).reshape(-1, 3)
    if len(corners) == 0:
        return np.zeros((0, 2)), corners
    ends = as_complex(xy)[corners]
    # side k is opposite corner k
    sides = np.abs(np.roll(ends, -1, axis=1) - np.roll(ends, -2, axis=1))
    order = np.argsort(sides, axis=1)
    corners = np.take_along_axis(corners, order, axis=1)
    sides = np.take_along_axis(sides, order, axis=1)
    keep = (sides[:, 0] > SHORTEST_SIDE_PX) & (sides[:, 0] > 0.08 * sides[:, 2])
    return (sides[keep][:, 1::-1] / sides[keep][:, 2:]), corners[keep]


def likeliest(guesses: F64) -> F64:
    """Proposals ordered by how many others say nearly the same."""
    if len(guesses) == 0:
        return guesses
    factor, offset = guesses[:, 0], guesses[:, 1]
    bins = np.column_stack([
        np.rint(np.log(np.abs(factor)) / 0.02), np.rint(np.angle(factor) / 0.02),
        np.rint(offset.real / 60), np.rint(offset.imag / 60),
    ]).astype(np.int64)  # fmt: skip
    _, inverse, counts = np.unique(bins, axis=0, return_inverse=True, return_counts=True)
    votes = counts[inverse.ravel()]
    return np.asarray(guesses[np.argsort(-votes, kind="stable")][:MOST_GUESSES])


def best_guess(guesses: F64, here: F64, there: Points, *, clear: bool = False) -> F64 | None:
    """The proposal that brings most stars together; stops early at a clear winner.

    `clear` wants no other.
    """
    z = as_complex(here)
    best, most, enough = None, 0, max(12, 0.5 * min(len(here), len(there)))
    for start in range(0, len(guesses), 100):
        batch = guesses[start : start + 100]
        moved = (batch[:, :1] * z + batch[:, 1:]).ravel()
        met = np.zeros(len(moved), bool)
        met[there.close(as_xy(moved), TOLERANCE_PX).query] = True
        hits = met.reshape(len(batch), -1).sum(axis=1)
        top = int(np.argmax(hits))
        if hits[top] > most:
            best, most = batch[top], int(hits[top])
        if most >= enough:
            break
    return best if most >= (enough if clear else FEWEST_PAIRS) else None


def as_xy(z: npt.NDArray[np.complex128]) -> F64:
    return np.column_stack([z.real, z.imag])


def pair_up(factor: complex, offset: complex, here: F64, there: Points, reach: float) -> I64:
    """Mutually exclusive pairs (here, there) within a reach, nearest first."""
    close = there.close(as_xy(factor * as_complex(here) + offset), reach)
    order = np.argsort(close.distance, kind="stable")
    order = order[first_of(close.query[order])]  # each star's nearest
    order = order[first_of(close.point[order])]  # the star nearest to each
    return np.column_stack([close.query[order], close.point[order]])


def first_of(values: I64) -> I64:
    """Where each value comes up first, in their order."""
    return np.sort(np.unique(values, return_index=True)[1])


def refined(
    guess: F64, here: F64, there: F64, listed: Points, flux: F64
) -> tuple[complex, complex, I64]:
    """Least-squares similarity over the pairs, found again with the better transform."""
    factor, offset = complex(guess[0]), complex(guess[1])
    a, b = as_complex(here), as_complex(there)
    pairs = pair_up(factor, offset, here, listed, TOLERANCE_PX)
    fitted: I64 = np.zeros((0, 2), np.int64)
    for reach in (TOLERANCE_PX, TOLERANCE_PX, 0.8 * TOLERANCE_PX, 0.0):
        if len(pairs) < 2:
            break
        if not np.array_equal(pairs, fitted):  # the same pairs give the same
            factor, offset = similarity(a[pairs[:, 0]], b[pairs[:, 1]], flux[pairs[:, 0]])
            fitted = pairs
        if reach:
            pairs = pair_up(factor, offset, here, listed, reach)
    return factor, offset, pairs


def similarity(a: np.ndarray, b: np.ndarray, flux: F64) -> tuple[complex, complex]:
    """
    Least-squares factor and offset of b = factor a + offset, pairs far off left out.

    A centroid's error goes with the sky noise over the flux (King 1983, PASP 95, 163); how
    many pixels that is, the pairs' own misses tell.
    """
    weight, keep = np.ones(len(a)), np.ones(len(a), bool)
    factor, offset = 1 + 0j, 0j
    for _ in range(4):
        factor, offset = weighted_similarity(a, b, weight * keep)
        miss = np.abs(factor * a + offset - b)
        error = position_errors(miss, flux)
        weight = 1 / error**2
        keep = miss <= FAR_OFF * error
        if np.count_nonzero(keep) < 3:
            break
    return factor, offset


def weighted_similarity(a: np.ndarray, b: np.ndarray, weight: F64) -> tuple[complex, complex]:
    """Weighted least-squares factor and offset of b = factor a + offset."""
    ma, mb = np.average(a, weights=weight), np.average(b, weights=weight)
    power = max(float(weight @ np.abs(a - ma) ** 2), 1e-9)
    factor = complex(weight @ (np.conj(a - ma) * (b - mb)) / power)
    return factor, complex(mb - factor * ma)


def position_errors(miss: F64, flux: F64) -> F64:
    """Typical miss of each pair: what bright stars miss by, and noise over flux."""
    noise = float(np.median(miss * flux))
    return np.asarray(np.hypot(OWN_PX, noise / flux))


def believable(
    pairs: I64,
    factor: complex,
    offset: complex,
    here: F64,
    there: F64,
    size: F64,
    scales: tuple[float, float] = SCALE_RANGE,
) -> bool:
    """Whether that many pairs cannot be an accident, however many proposals were tried."""
    if len(pairs) < FEWEST_PAIRS or not scales[0] < abs(factor) < scales[1]:
        return False
    moved = factor * as_complex(here) + offset
    inside = (moved.real > 0) & (moved.real < size[0]) & (moved.imag > 0) & (moved.imag < size[1])
    expected = np.count_nonzero(inside) * len(there) * np.pi * TOLERANCE_PX**2 / np.prod(size)
    # two pairs fix the similarity, so they prove nothing
    chance = chance_of_more(len(pairs) - 3, max(expected, 1e-12))
    common = min(int(np.count_nonzero(inside)), len(there))
    return bool(chance < CHANCE and len(pairs) >= 0.12 * common)


def chance_of_more(count: int, expected: float) -> float:
    """
    Probability of more than `count` events where a Poisson process brings `expected`.

    Summed over the side that is the smaller, all terms positive, so that even 1e-200 is good to a
    relative 1e-10. scipy has it too, for a second of imports in every scan.
    """
    if count + 1 < expected:
        return 1 - sum(poisson(j, expected) for j in range(count + 1))
    term = total = poisson(count + 1, expected)
    j = count + 1
    while term > 1e-12 * total:
        j += 1
        term *= expected / j
        total += term
    return total


def poisson(count: int, expected: float) -> float:
    """Probability of just so many events where a Poisson process brings `expected`."""
    return exp(count * log(expected) - expected - lgamma(count + 1))


def as_match(
    factor: complex, offset: complex, pairs: I64, here: F64, there: F64,
    reference_size: F64, size: F64,
) -> Match:  # fmt: skip
    """Express the similarity about the frames' centres."""
    centre_ref = complex(*((reference_size - 1) / 2))
    centre = complex(*((size - 1) / 2))
    shift = factor * centre_ref + offset - centre
    miss = factor * as_complex(here)[pairs[:, 0]] + offset - as_complex(there)[pairs[:, 1]]
    return Match(
        float(shift.real),
        float(shift.imag),
        float(np.degrees(np.angle(factor))),
        float(abs(factor)),
        tuple((int(i), int(j)) for i, j in pairs),
        float(np.sqrt(np.mean(np.abs(miss) ** 2))),
    )


def shared_sky(
    shift_x_px: float, shift_y_px: float, rotation_deg: float, size: tuple[int, int]
) -> float:
    """
    Return the share of a frame's area that shows sky of the frame it was laid on.

    Exact for a field that is not turned or turned by half; else to a twentieth, from a grid.

    Parameters
    ----------
    shift_x_px, shift_y_px, rotation_deg : float
        As in `Match`.
    size : (width, height)
        Of both frames, in pixels.

    Returns
    -------
    float
        0 to 1.
    """
    width, height = size
    turn = radians(rotation_deg)
    if abs(sin(turn)) < UPRIGHT:  # of nearly all frames, so it must not cost anything
        across, up = 1 - abs(shift_x_px) / width, 1 - abs(shift_y_px) / height
        return max(across, 0.0) * max(up, 0.0)
    steps = (np.arange(GRID) + 0.5) / GRID - 0.5
    x, y = np.meshgrid(steps * width - shift_x_px, steps * height - shift_y_px)
    there_x = x * np.cos(turn) + y * np.sin(turn)
    there_y = y * np.cos(turn) - x * np.sin(turn)
    return float(np.mean((np.abs(there_x) < width / 2) & (np.abs(there_y) < height / 2)))
