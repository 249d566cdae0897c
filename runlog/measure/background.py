"""The sky under the stars: a mesh of clipped medians over subsampled tiles, and its noise."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from runlog.core.robust import MAD_TO_SIGMA
from runlog.measure.pixels import F32, F64, I64, Plane

SAMPLES_PER_TILE = 1000
# in steps of the whole numbers a frame is stored in
BLANK_NOISE = 0.345  # one-sigma quantile of equal numbers, spread by the dither
WHOLE_NUMBER_NOISE = 0.29  # sqrt(1/12): what rounding alone leaves of a smooth sky
GOLDEN = 0.6180339887498949  # the golden ratio less one
FEWEST_VALUES = 6  # that show a step
EXACT_TO = 2**24  # float32 holds every whole number up to here
LOWER_SIGMA_QUANTILE = 0.158655  # one sigma below the median of a normal distribution


@dataclass(frozen=True, slots=True)
class Sky:
    """Sky level and noise on a mesh of tile centres, in ADU."""

    mesh_adu: F64  # (rows, columns)
    noise_mesh_adu: F64
    centre_y: F64
    centre_x: F64
    median_adu: float
    noise_adu: float
    gradient_adu: float
    blank_share: float  # of tiles without any noise

    def across(self, width: int) -> F32:
        """Every mesh row at every pixel column, shape (mesh rows, width): what `rows` takes."""
        x = np.arange(width, dtype=float)
        return interpolate_columns(self.mesh_adu, self.centre_x, x).astype(np.float32)

    def rows(self, start: int, stop: int, across: F32, out: F32) -> F32:
        """Bilinear sky of rows start..stop, extrapolated at the edges, into an array of theirs."""
        low, weight = bracket(self.centre_y, np.arange(start, stop, dtype=float))
        share = weight.astype(np.float32)[:, None]
        for row in range(int(low[0]), int(low[-1]) + 1):
            first, last = np.searchsorted(low, [row, row + 1])
            rise = across[min(row + 1, len(across) - 1)] - across[row]
            part = np.multiply(share[first:last], rise, out=out[first:last])
            part += across[row]
        return out

    def noise_at(self, y: F64, x: F64) -> F64:
        """Noise of the nearest tile, in ADU."""
        row = nearest(self.centre_y, y)
        return np.asarray(self.noise_mesh_adu[row, nearest(self.centre_x, x)])


def nearest(centres: F64, at: F64) -> I64:
    """Index of the centre nearest to each coordinate."""
    if len(centres) == 1:
        return np.zeros(np.shape(at), np.int64)
    middle = (centres[1:] + centres[:-1]) / 2
    return np.searchsorted(middle, at)


def bracket(centres: F64, at: F64) -> tuple[I64, F64]:
    """Index of the centre below each coordinate and the linear weight of the one above."""
    if len(centres) == 1:
        return np.zeros(len(at), np.int64), np.zeros(len(at))
    low = np.clip(np.searchsorted(centres, at) - 1, 0, len(centres) - 2)
    return low, (at - centres[low]) / (centres[low + 1] - centres[low])


def interpolate_columns(mesh: F64, centre_x: F64, x: F64) -> F64:
    """Every mesh row at every pixel column."""
    low, weight = bracket(centre_x, x)
    high = np.minimum(low + 1, len(centre_x) - 1)
    return np.asarray(mesh[:, low] * (1 - weight) + mesh[:, high] * weight)


def tile_size(height: int, width: int) -> int:
    """
    Side of a tile in px: fine enough for gradients, coarse against the widest stars.

    Parameters
    ----------
    height, width : int
        Of the frame, px.

    Returns
    -------
    int
        48 to 256 px.
    """
    return int(np.clip(np.sqrt(height * width) / 22, 48, 256))


def measure_sky(plane: Plane) -> Sky | None:
    """
    Measure the sky of a frame in one pass over a few hundred samples per tile.

    The clipped median of a tile and the one-sigma quantile below it do not see stars; a 3x3
    median over the mesh takes out a tile that a bright star or galaxy filled.

    Parameters
    ----------
    plane : Plane
        Any light, ADU; values that are not finite are left out.

    Returns
    -------
    Sky or None
        Levels, noise and slope in ADU; None when no pixel is finite.

    References
    ----------
    A mesh of clipped tiles, median filtered: Bertin and Arnouts 1996, A&AS 117, 393, section 3
    (from memory). Rounding to a step adds step^2/12 to the variance: Bennett 1948, Bell System
    Technical Journal 27, 446 (from memory).
    """
    tiles, centre_y, centre_x, grain = sampled_tiles(plane)
    level, noise = clipped_levels(tiles)
    if not np.isfinite(level).any():
        return None
    blank = noise <= BLANK_NOISE * grain
    if blank.any() and not blank.all():
        # rows that were never read out say nothing about the sky beside them
        level[blank], noise[blank] = np.nan, np.nan
    level, noise = fill_holes(level), fill_holes(noise)
    slope = tilted_plane(level)
    smooth = ndimage.median_filter(level - slope, 3, mode="nearest") + slope
    noise = without_slope(noise, smooth)
    if grain:
        noise = np.sqrt(np.maximum(noise**2 - grain**2 / 12, (WHOLE_NUMBER_NOISE * grain) ** 2))
    known = noise > 0
    return Sky(
        smooth,
        ndimage.median_filter(noise, 3, mode="nearest"),
        centre_y,
        centre_x,
        float(np.median(smooth)),
        float(np.median(noise[known])) if known.any() else 0.0,
        float(np.ptp(smooth)),
        float(np.mean(blank)),
    )


def sampled_tiles(plane: Plane) -> tuple[F32, F64, F64, int]:
    """
    Sample the frame and cut the samples into sorted tiles.

    Returns the tiles (rows, columns, samples), the tiles' centres in y and x (px), and the step
    of the whole numbers that the dither has spread; 0 where they are none.
    """
    tile = tile_size(plane.height, plane.width)
    step = max(1, round(tile / np.sqrt(SAMPLES_PER_TILE)))
    sample = plane.sample(step)
    step += step % 2 if plane.bayer else 0
    finite = sample[np.isfinite(sample)]
    grain = step_of(finite) if plane.is_integer else 0
    if grain:
        sample += grain * dither(sample.shape)
    per_tile = max(1, tile // step)
    rows, columns = (tile_starts(length, per_tile) for length in sample.shape)
    height, width = (min(per_tile, length) for length in sample.shape)
    centre_y = (rows + (height - 1) / 2) * step
    centre_x = (columns + (width - 1) / 2) * step + plane.sample_origin()
    return gather_tiles(sample, rows, columns, per_tile), centre_y, centre_x, grain


def step_of(sample: F32) -> int:
    """
    Step between the whole numbers of a frame; 0 where all are equal.

    12 and 14-bit cameras often store their numbers times 16 or 4. A handful of values tells
    no step: flat frames with a few odd pixels have no more.

    Parameters
    ----------
    sample : ndarray, shape (n,) or (h, w)
        Finite pixels of a frame that holds whole numbers, ADU.

    Returns
    -------
    int
        ADU.
    """
    values = np.unique(sample)
    if values.size < FEWEST_VALUES or np.abs(values[[0, -1]]).max() > EXACT_TO:
        return int(values.size > 1)
    return int(np.gcd.reduce(np.diff(values.astype(np.int64))))


def tilted_plane(level: F64) -> F64:
    """Least-squares plane through the mesh, tiles far off left out once."""
    if min(level.shape) < 3:
        return np.zeros_like(level)
    rows, columns = np.indices(level.shape)
    design = np.column_stack([np.ones(level.size), rows.ravel(), columns.ravel()])
    keep = np.ones(level.size, bool)
    plane = np.zeros(level.size)
    for _ in range(2):
        plane = design @ np.linalg.lstsq(design[keep], level.ravel()[keep], rcond=None)[0]
        off = np.abs(level.ravel() - plane)
        keep = off <= 3 * MAD_TO_SIGMA * np.median(off) + 1e-30
    return np.asarray(plane.reshape(level.shape))


def without_slope(noise: F64, level: F64) -> F64:
    """Take the sky's own slope across a tile (a uniform spread of width d, d^2/12) out."""
    if min(level.shape) < 2:
        return noise
    down, across = np.gradient(level)
    return np.asarray(np.sqrt(np.maximum(noise**2 - (down**2 + across**2) / 12, 0.25 * noise**2)))


def dither(shape: tuple[int, ...]) -> F32:
    """
    Spread whole numbers over the unit interval they stand for, the same way every time.

    Quantiles of whole numbers jump by one ADU; the golden-ratio sequence fills the gap evenly.
    The variance this adds, 1/12, is taken out of the noise again.

    Parameters
    ----------
    shape : tuple of int

    Returns
    -------
    ndarray, shape as asked
        Between -0.5 and 0.5 steps, no two neighbours alike.

    References
    ----------
    Multiples of the golden ratio modulo 1 are spread most evenly: Knuth, The Art of Computer
    Programming 3, section 6.4 (from memory). Variance 1/12: a uniform distribution of width 1.
    """
    columns = shape[-1]
    rows = int(np.prod(shape[:-1]))
    down = ((np.arange(rows) * (columns * GOLDEN)) % 1.0 - 0.5).astype(np.float32)
    across = ((np.arange(columns) * GOLDEN) % 1.0).astype(np.float32)
    steps = down[:, None] + across
    steps -= steps >= np.float32(0.5)
    return steps.reshape(shape)


def tile_starts(length: int, tile: int) -> I64:
    """First sample of each tile: evenly spread, the last one flush with the edge."""
    tile = min(tile, length)
    count = max(1, round(length / tile))
    return np.rint(np.linspace(0, length - tile, count)).astype(np.int64)


def gather_tiles(sample: F32, rows: I64, columns: I64, tile: int) -> F32:
    """Samples of every tile, sorted, shape (rows, columns, samples); not-finite ones last."""
    in_row = np.arange(min(tile, sample.shape[0]))
    in_column = np.arange(min(tile, sample.shape[1]))
    tiles = np.empty((len(rows), len(columns), in_row.size * in_column.size), np.float32)
    for i, row in enumerate(rows):
        strip = sample[row : row + in_row.size]
        for j, column in enumerate(columns):
            tiles[i, j] = strip[:, column : column + in_column.size].ravel()
    if not np.isfinite(tiles).all():
        tiles[~np.isfinite(tiles)] = np.nan
    tiles.sort(axis=-1)
    return tiles


def clipped_levels(tiles: F32) -> tuple[F64, F64]:
    """Clipped median and one-sigma spread of each sorted tile; NaN where too little is left."""
    flat = tiles.reshape(-1, tiles.shape[-1])
    low = np.zeros(len(flat), np.int64)
    high = np.count_nonzero(np.isfinite(flat), axis=1)
    empty = high < max(1, flat.shape[1] // 10)
    high = np.maximum(high, 1)
    each = np.arange(len(flat))
    for _ in range(4):
        middle = quantile_between(flat, each, low, high, 0.5)
        spread = middle - quantile_between(flat, each, low, high, LOWER_SIGMA_QUANTILE)
        least, most = ((middle + k * spread).astype(np.float32)[:, None] for k in (-3, 3))
        low = np.count_nonzero(flat < least, axis=1)
        high = np.count_nonzero(flat <= most, axis=1)
        high = np.maximum(high, low + 1)
    level = quantile_between(flat, each, low, high, 0.5)
    spread = level - quantile_between(flat, each, low, high, LOWER_SIGMA_QUANTILE)
    level[empty], spread[empty] = np.nan, np.nan
    shape = tiles.shape[:2]
    return level.reshape(shape), spread.reshape(shape)


def quantile_between(flat: F32, each: I64, low: I64, high: I64, share: float) -> F64:
    """Quantile of the sorted rows between two indices, linear between samples."""
    at = low + share * (high - low - 1)
    below = np.floor(at).astype(np.int64)
    above = np.minimum(below + 1, high - 1)
    part = at - below
    return np.asarray(flat[each, below] * (1 - part) + flat[each, above] * part, np.float64)


def fill_holes(mesh: F64) -> F64:
    """Replace tiles without a value by the nearest one that has one."""
    missing = ~np.isfinite(mesh)
    if not missing.any():
        return mesh
    where = ndimage.distance_transform_edt(missing, return_distances=False, return_indices=True)
    return np.asarray(mesh[tuple(where)])
