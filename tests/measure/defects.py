"""What a sensor adds of its own: dead and hot lines, dark edges, overscan, smear, coarse steps.

Drawn, with no regard to how any of it is found. Lines of a real sensor differ in strength and in
where they begin; sizes here are those seen on raw frames of real cameras (common practice, no
source).
"""

import numpy as np

Rng = np.random.Generator


def clipped(light: np.ndarray) -> np.ndarray:
    """Back to 16-bit whole numbers."""
    return np.clip(np.rint(light), 0, 65535).astype(np.uint16)


def dead_rows(pixels: np.ndarray, rows: np.ndarray, level_adu: float = 0.0) -> np.ndarray:
    """Rows that hold no light: one level and a little noise of the amplifier."""
    dead = pixels.astype(np.float32)
    noise = np.random.default_rng(len(rows)).normal(0, 2, (len(rows), pixels.shape[1]))
    dead[rows] = level_adu + np.abs(noise)
    return clipped(dead)


def hot_column(
    pixels: np.ndarray, column: int, width_px: int, adu: float, first_row: int, last_row: int,
    rng: Rng,
) -> None:  # fmt: skip
    """Columns that leak charge, one as strong as the next within a third; in place."""
    rows = slice(first_row, last_row)
    for at in range(column, column + width_px):
        strength = adu * rng.uniform(0.67, 1.0)
        extra = rng.normal(strength, np.sqrt(strength), last_row - first_row)
        pixels[rows, at] = clipped(pixels[rows, at] + extra)


def overscan(pixels: np.ndarray, width_px: int, level_adu: float, rng: Rng) -> np.ndarray:
    """The frame with columns behind its last one that never saw light."""
    bare = rng.normal(level_adu, 3.0, (pixels.shape[0], width_px))
    return np.hstack([pixels, clipped(bare)])


def dark_edge(pixels: np.ndarray, rows: int, ramp_rows: float, pedestal_adu: float) -> np.ndarray:
    """The first rows shaded by a mask whose edge is soft and a little aslant."""
    y, x = np.indices(pixels.shape)
    edge = rows + 5.0 * x / pixels.shape[1]
    share = 1 / (1 + np.exp(-(y - edge) / (ramp_rows / 4)))
    return clipped((pixels - pedestal_adu) * share + pedestal_adu)


def seam(pixels: np.ndarray, share: float) -> np.ndarray:
    """Two halves of a detector read by two amplifiers of unlike gain."""
    halves = pixels.astype(np.float32)
    halves[pixels.shape[0] // 2 :] *= 1 + share
    return clipped(halves)


def smear(pixels: np.ndarray, x: int, y: int, adu: float, reach_px: float, turn: int) -> None:
    """A tail of charge left behind, to the right, down, left or up of a star; in place."""
    turned = np.rot90(pixels, turn)  # a view
    places = np.rot90(np.arange(pixels.size).reshape(pixels.shape), turn)
    row, column = np.argwhere(places == y * pixels.shape[1] + x)[0]
    along = np.arange(turned.shape[1] - column)
    tail = adu * np.exp(-along / reach_px)
    turned[row, column:] = clipped(turned[row, column:] + tail)
    for beside in (row - 1, row + 1):
        if 0 <= beside < turned.shape[0]:
            turned[beside, column:] = clipped(turned[beside, column:] + 0.4 * tail)


def bloom(pixels: np.ndarray, x: int, y: int, reach_px: int, full_adu: int, rng: Rng) -> None:
    """A star over the brim: full pixels up and down its column, thinner farther off; in place."""
    for side in (-1, 1):
        length = int(reach_px * rng.uniform(0.7, 1.3))
        for step in range(length):
            row = y + side * step
            if 0 <= row < pixels.shape[0]:
                half = 2 if step < 0.3 * length else 1 if step < 0.7 * length else 0
                pixels[row, max(0, x - half) : x + half + 1] = full_adu


def readout_smear(pixels: np.ndarray, x: int, adu: float, fwhm_px: float) -> None:
    """Light that falls on a column while it is moved out: as wide as the star; in place."""
    columns = np.arange(pixels.shape[1])
    across = adu * np.exp(-4 * np.log(2) * ((columns - x) / fwhm_px) ** 2)
    pixels[:] = clipped(pixels + across)


def row_glitch(pixels: np.ndarray, row: int, rows: int, adu: float) -> np.ndarray:
    """A few rows read out at another level."""
    shifted = pixels.astype(np.float32)
    shifted[row : row + rows] += adu
    return clipped(shifted)


def coarse_steps(pixels: np.ndarray, bits: int) -> np.ndarray:
    """What an analogue-to-digital converter of fewer bits stores in 16."""
    step = 1 << (16 - bits)
    return (pixels // step * step).astype(np.uint16)
