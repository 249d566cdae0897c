"""How many single bright pixels a frame has: what a warm or ageing sensor shows."""

import numpy as np

from runlog.measure.pixels import F32

SAMPLE_PX = 2_000_000  # rows around the middle are enough: hot pixels are everywhere
SAMPLE_SIGMA = 15.0  # above the noise
BESIDE_SHARE = 0.22  # the narrowest star worth measuring (1.5 px) leaves more beside its middle
AROUND = tuple((dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if dy or dx)


def hot_pixels_ppm(light: F32, noise_adu: float) -> float | None:
    """
    Count pixels that stand alone far above the noise, per million.

    A star, however narrow, lights its neighbours too. Hits of cosmic rays on a single pixel are
    counted as well: they are few, and as many in every frame.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame, ADU.
    noise_adu : float
        Noise of a pixel.

    Returns
    -------
    float or None
        None where the frame is too small to tell, or has no noise.
    """
    height, width = light.shape
    rows = min(height, max(3, SAMPLE_PX // max(width, 1)))
    first = (height - rows) // 2
    part = light[first : first + rows]
    looked_at = (part.shape[0] - 2) * (width - 2)
    if looked_at < SAMPLE_PX // 100 or noise_adu <= 0:
        return None
    bright = np.flatnonzero(part > np.float32(SAMPLE_SIGMA * noise_adu))
    row, column = np.divmod(bright, width)
    inside = (row > 0) & (row < part.shape[0] - 1) & (column > 0) & (column < width - 1)
    row, column = row[inside], column[inside]
    limit = np.float32(BESIDE_SHARE) * part[row, column]
    alone = np.ones(len(row), bool)
    for dy, dx in AROUND:
        alone &= part[row + dy, column + dx] < limit
    return round(float(1e6 * np.count_nonzero(alone) / looked_at), 1)
