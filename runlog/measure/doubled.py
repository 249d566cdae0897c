"""Find the offset at which every star stands twice."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage, signal
from scipy.spatial import cKDTree

from runlog.core.frame import StarList

F64 = npt.NDArray[np.float64]

FARTHEST_PX = 80.0
FEWEST_STARS = 12
SHARE_LEAST = 0.12  # of the listed stars; fainter second images often miss the list
PAIRS_LEAST = 8
TIMES_CHANCE = 6.0
LONG_ELLIPTICITY = 0.15  # (1 - q) / (1 + q)
STEP_PX = 0.25
WEAKER_IMAGE = 0.3  # of the brighter peak
DIP = 0.85  # of the weaker peak


@dataclass(frozen=True, slots=True)
class Doubling:
    """Offset of the second image in pixels, and the share of listed stars that have one."""

    dx_px: float
    dy_px: float
    share: float

    @property
    def apart_px(self) -> float:
        """Distance between the two images."""
        return float(np.hypot(self.dx_px, self.dy_px))


def find_doubling(stars: StarList, fwhm_px: float | None) -> Doubling | None:
    """Look for one offset that far more pairs of stars share than chance would give.

    Offsets of all pairs within 80 pixels are compared; in a field without doubling they are
    spread evenly, so the count inside a small circle is a Poisson number.
    """
    if fwhm_px is None or len(stars.x) < FEWEST_STARS:
        return None
    offsets = _offsets(np.column_stack([stars.x, stars.y]), fwhm_px)
    if len(offsets) < PAIRS_LEAST:
        return None
    radius = max(0.25 * fwhm_px, 0.7)
    tree = cKDTree(offsets)
    counts = tree.query_ball_point(offsets, radius, return_length=True)
    best = int(np.argmax(counts))
    pairs = int(counts[best])
    chance = len(offsets) * (radius / FARTHEST_PX) ** 2 * 2  # offsets fill half a circle
    share = pairs / len(stars.x)
    if pairs < PAIRS_LEAST or share < SHARE_LEAST or pairs < TIMES_CHANCE * chance:
        return None
    dx, dy = offsets[tree.query_ball_point(offsets[best], radius)].mean(axis=0)
    return Doubling(float(dx), float(dy), min(share, 1.0))


def apart_in_picture(picture: F64, e1: float, e2: float) -> float | None:
    """Find two separate peaks along the long axis of the stars' mean picture.

    Images closer than the detection can tell apart merge into one long star; a trail is long
    too, but its light does not dip in the middle.

    Parameters
    ----------
    picture : (k, k), mean star, centred, sky removed.
    e1, e2 : ellipticity components of the picture.

    Returns
    -------
    Distance of the peaks in pixels; None when there is one peak, or a trail.
    """
    if np.hypot(e1, e2) < LONG_ELLIPTICITY:
        return None
    reach = (picture.shape[0] - 1) / 2
    along = np.arange(-reach, reach + STEP_PX / 2, STEP_PX)
    turn = 0.5 * np.arctan2(e2, e1)
    rows, columns = reach + along * np.sin(turn), reach + along * np.cos(turn)
    light = ndimage.map_coordinates(picture, [rows, columns], order=1, mode="nearest")
    light = ndimage.gaussian_filter1d(light, 0.7 / STEP_PX)
    peaks, _ = signal.find_peaks(light, height=WEAKER_IMAGE * light.max())
    if len(peaks) < 2:
        return None
    first, second = sorted(sorted(peaks, key=lambda k: -light[k])[:2])
    valley = light[first : second + 1].min()
    if valley > DIP * min(light[first], light[second]):
        return None
    return float((second - first) * STEP_PX)


def _offsets(where: F64, fwhm_px: float) -> F64:
    """Offsets of all pairs, (n, 2), each turned into the upper half plane."""
    pairs = cKDTree(where).query_pairs(FARTHEST_PX, output_type="ndarray")
    offsets = where[pairs[:, 1]] - where[pairs[:, 0]]
    down = (offsets[:, 1] < 0) | ((offsets[:, 1] == 0) & (offsets[:, 0] < 0))
    offsets[down] *= -1
    apart = np.hypot(offsets[:, 0], offsets[:, 1]) > 1.2 * fwhm_px
    return np.asarray(offsets[apart])
