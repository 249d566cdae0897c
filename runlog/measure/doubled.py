"""Find the offset at which every star stands twice."""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from runlog.core.medians import median_of_stack
from runlog.core.robust import MAD_TO_SIGMA
from runlog.measure.pixels import F32, F64, I64, Mask
from runlog.measure.residual import binned, smoothed
from runlog.measure.stars import stamps

FARTHEST_PX = 80
LEAST_REACH = 6  # px of the stamps: smaller frames are not looked at
NEAREST_WIDTHS = 1.6  # nearer images are told apart along the long axis of the merged pair
FEWEST_STARS = 10  # that stand twice: among fewer, chance finds an offset
MOST_STARS = 48  # the brightest show the offset; more would only take memory
SAMPLED_WIDTH_PX = 3.2  # wider stars are binned
FAINTEST_IMAGE = 0.12  # of the brighter one, above the light at other offsets of that length
TIMES_SCATTER = 6.0  # of the light at other offsets of that length
LIKE_TYPICAL = 0.4  # of the typical second image: a star with less has none
SHARE_LEAST = 0.5
LONG_ELLIPTICITY = 0.1  # (1 - q) / (1 + q)
STEP_PX = 0.25
NEAR_WIDTHS = 4.0  # how far along the long axis is looked
LEAST_WIDTHS = 1.0  # nearer peaks are unevenness of a trail's top
WEAKER_IMAGE = 0.25  # of the brighter peak
DIP = 0.85  # of the weaker peak
# Length of one image over its width: a star that rests at two places is round twice. Longer are
# trails in pieces, and the lines of a spectrum through a slit with a bar across.
LONGEST_IMAGE = 1.6


@dataclass(frozen=True, slots=True)
class Doubling:
    """Offset of the second image in pixels, and the share of bright stars that have one."""

    dx_px: float
    dy_px: float
    share: float

    @property
    def apart_px(self) -> float:
        """Distance between the two images."""
        return float(np.hypot(self.dx_px, self.dy_px))


def find_doubling(
    light: F32, x: I64, y: I64, known_to_px: int, width_px: float, e1: float, e2: float
) -> Doubling | None:
    """
    Look for one offset at which the frame's bright stars have a second image.

    Each star's light at an offset and opposite to it is compared: whichever image was taken
    for the star, the other lies on one of the two. Other stars lie anywhere, so the median
    over the stars shows them at no offset; a trail or a ring has light there, but no peak of
    its own.

    Parameters
    ----------
    light : ndarray, shape (h, w)
        Sky-subtracted frame, ADU.
    x, y : ndarray, shape (n,)
        Peaks of stars that are not full, brightest first, px.
    known_to_px : int
        How far a star's highest pixel may be from its peak.
    width_px : float
        Width of a single image.
    e1, e2 : float
        Ellipticity components of the frame's star.

    Returns
    -------
    Doubling or None
        Offset in px; None where too few bright stars have a second image at one offset.
    """
    block = max(1, int(width_px / SAMPLED_WIDTH_PX))
    image, width = binned(light, block), width_px / block
    reach = min(int(np.ceil(FARTHEST_PX / block)), min(image.shape) // 6)
    column, row = highest(image, x // block, y // block, known_to_px // block + 1)
    inside = (
        (column > reach) & (column < image.shape[1] - reach - 1)
        & (row > reach) & (row < image.shape[0] - reach - 1)
    )  # fmt: skip
    column, row = column[inside][:MOST_STARS], row[inside][:MOST_STARS]
    if len(column) < FEWEST_STARS or reach < LEAST_REACH:
        return None
    cut = smoothed(stamps(image, row, column, reach + 1))
    cut /= cut[:, reach, reach, None, None]
    apart = far_image(cut, width) or near_image(image, cut, column, row, width, e1, e2)
    if apart is None or longer_than_wide(cut, *apart) > LONGEST_IMAGE:
        return None
    share = share_of_doubled(cut, *apart)
    if share < SHARE_LEAST or share * len(column) < FEWEST_STARS:
        return None
    return Doubling(apart[1] * block, apart[0] * block, share)


def highest(image: F32, x: I64, y: I64, radius: int) -> tuple[I64, I64]:
    """Move whole-pixel positions (x, y) to the highest smoothed pixel near, each named once."""
    cut = smoothed(stamps(image, y, x, radius + 1))
    dy, dx = np.divmod(cut.reshape(len(x), -1).argmax(axis=1), 2 * radius + 1)
    row = np.clip(y + dy - radius, 0, image.shape[0] - 1)
    column = np.clip(x + dx - radius, 0, image.shape[1] - 1)
    where = row * image.shape[1] + column
    _, first = np.unique(where, return_index=True)
    row, column = np.divmod(where[np.sort(first)], image.shape[1])
    return column, row


def far_image(cut: F32, width: float) -> tuple[float, float] | None:
    """Offset (y, x) of a separate second image in scaled stamps, in their pixels."""
    reach = cut.shape[1] // 2
    either = np.maximum(cut[:, reach:], cut[:, reach::-1, ::-1])
    axis = np.arange(-reach, reach + 1)
    radius = np.hypot(np.arange(reach + 1)[:, None], axis[None, :])
    allowed = (radius > NEAREST_WIDTHS * width) & (radius <= reach - 1)
    # a median is above a limit where half of the values are: most frames need no more than this
    allowed &= np.count_nonzero(either > FAINTEST_IMAGE, axis=0) >= len(cut) / 2
    if not allowed.any():
        return None
    picture = median_of_stack(either).astype(float)
    ring = np.minimum(np.rint(radius).astype(int), reach + 1)
    level, scatter = ring_levels(picture, ring, reach)
    excess = picture - level[ring]
    allowed &= excess > FAINTEST_IMAGE
    allowed &= excess > TIMES_SCATTER * scatter[ring]
    allowed &= picture >= ndimage.maximum_filter(picture, 3, mode="nearest")
    if not allowed.any():
        return None
    row, column = np.unravel_index(np.argmax(np.where(allowed, excess, -1)), picture.shape)
    offset = (float(row), float(column - reach))
    return exact(cut, offset) if is_separate(cut, offset) else None


def exact(cut: F32, offset: tuple[float, float]) -> tuple[float, float]:
    """An offset to a fraction of a pixel: from top to top of the two images."""
    picture = median_of_stack(turned(cut, offset))
    reach = cut.shape[1] // 2
    row, column = (reach + round(part) for part in offset)
    here, there = (
        summits(picture[None, y - 1 : y + 2, x - 1 : x + 2])
        for y, x in ((reach, reach), (row, column))
    )
    return (
        row - reach + float(there[0][0] - here[0][0]),
        column - reach + float(there[1][0] - here[1][0]),
    )


def ring_levels(picture: F64, ring: I64, reach: int) -> tuple[F64, F64]:
    """Median and robust scatter of a picture at each whole radius."""
    level, scatter = np.zeros(reach + 2), np.zeros(reach + 2)
    order = np.argsort(ring.ravel(), kind="stable")
    parts = np.split(picture.ravel()[order], np.cumsum(np.bincount(ring.ravel()))[:-1])
    for k, part in enumerate(parts):
        level[k] = np.median(part)
        scatter[k] = MAD_TO_SIGMA * np.median(np.abs(part - level[k]))
    return level, scatter


def turned(cut: F32, offset: tuple[float, float]) -> F32:
    """The stamps turned by half a circle where their light lies opposite to an offset."""
    reach = cut.shape[1] // 2
    row, column = (round(part) for part in offset)
    here = cut[:, reach + row, reach + column]
    there = cut[:, reach - row, reach - column]
    return np.where((there > here)[:, None, None], cut[:, ::-1, ::-1], cut)


def is_separate(cut: F32, offset: tuple[float, float]) -> bool:
    """Whether the light falls between the star and its second image, whichever way one goes."""
    reach = cut.shape[1] // 2
    row, column = (round(part) for part in offset)
    window = int(np.ceil(1.5 * np.hypot(row, column))) + 2
    window = min(window, reach)
    part = cut[:, reach - window : reach + window + 1, reach - window : reach + window + 1]
    picture = median_of_stack(turned(part, offset))
    second = picture[window + row - 1 : window + row + 2, window + column - 1 : window + column + 2]
    if second.max() < FAINTEST_IMAGE:
        return False
    labels, _ = ndimage.label(picture > DIP * second.max(), structure=np.ones((3, 3)))
    at = np.unravel_index(second.argmax(), second.shape)
    there = labels[window + row - 1 + at[0], window + column - 1 + at[1]]
    return bool(there != labels[window, window])


def near_image(
    image: F32, cut: F32, x: I64, y: I64, width: float, e1: float, e2: float
) -> tuple[float, float] | None:
    """Offset (y, x) of two separate peaks along the long axis of the frame's star, in pixels."""
    if np.hypot(e1, e2) < LONG_ELLIPTICITY:
        return None
    turn = 0.5 * np.arctan2(e2, e1)
    step, across = (np.sin(turn), np.cos(turn)), (np.cos(turn), -np.sin(turn))
    along = np.arange(-NEAR_WIDTHS * width, NEAR_WIDTHS * width + STEP_PX / 2, STEP_PX)
    aside = np.array([-0.25, 0.0, 0.25])[:, None] * width
    dy, dx = summits(cut)
    rows = (y + dy)[:, None, None] + along * step[0] + aside * across[0]
    columns = (x + dx)[:, None, None] + along * step[1] + aside * across[1]
    light = ndimage.map_coordinates(image, [rows, columns], order=3, mode="nearest").mean(axis=1)
    light = light / light[:, len(along) // 2, None]
    ahead = light[:, along > 0].sum(axis=1) > light[:, along < 0].sum(axis=1)
    profile = np.median(np.where(ahead[:, None], light, light[:, ::-1]), axis=0)
    apart = between_peaks(profile)
    # on a small frame the line reaches beyond the stamps
    if apart is None or not LEAST_WIDTHS * width <= apart <= cut.shape[1] // 2:
        return None
    return apart * step[0], apart * step[1]


def longer_than_wide(cut: F32, row: float, column: float) -> float:
    """
    Length of a single image towards its second one over its width, by where light is half.

    Only the side away from the second image is looked at: there none of its light lies.
    """
    picture: F64 = median_of_stack(turned(cut, (row, column))).astype(np.float64)
    apart = np.hypot(row, column)
    along = -row / apart, -column / apart
    across = along[1], -along[0]
    wide = [half_light(picture, *across), half_light(picture, -across[0], -across[1])]
    return half_light(picture, *along) / max(float(np.mean(wide)), STEP_PX)


def half_light(picture: F64, row: float, column: float) -> float:
    """Distance from the middle, in a direction of unit length, at which light falls to half."""
    reach = picture.shape[0] // 2
    distance = np.arange(0, reach, STEP_PX)
    where = [reach + distance * row, reach + distance * column]
    light = ndimage.map_coordinates(picture, where, order=1, mode="nearest")
    less = np.flatnonzero(light < 0.5 * light[0])
    return float(distance[less[0]] if len(less) else reach)


def summits(cut: F32) -> tuple[F64, F64]:
    """Top of a parabola through the middle pixel and its neighbours, (y, x) from the middle."""
    reach = cut.shape[1] // 2
    tops = []
    for line in (cut[:, reach - 1 : reach + 2, reach], cut[:, reach, reach - 1 : reach + 2]):
        bend = 2 * line[:, 1] - line[:, 0] - line[:, 2]
        tops.append(np.clip((line[:, 2] - line[:, 0]) / np.maximum(2 * bend, 1e-6), -0.5, 0.5))
    return tops[0], tops[1]


def tops(profile: F64) -> I64:
    """
    Where a profile is higher than on both sides, a level top once, in its middle.

    scipy.signal has it too, and imports all statistics for it: half a second a scan.
    """
    steps = np.flatnonzero(np.diff(profile))
    first, last = np.append(0, steps + 1), np.append(steps, len(profile) - 1)
    level = profile[first]
    higher = (level[1:-1] > level[:-2]) & (level[1:-1] > level[2:])
    return np.asarray((first + last)[1:-1][higher] // 2, np.int64)


def between_peaks(profile: F64) -> float | None:
    """Distance of the two highest peaks of a profile where light dips between them."""
    peaks = tops(profile)
    peaks = peaks[profile[peaks] >= WEAKER_IMAGE * profile.max()]
    if len(peaks) < 2:
        return None
    first, second = sorted(sorted(peaks, key=lambda k: -profile[k])[:2])
    valley = profile[first : second + 1].min()
    if valley > DIP * min(profile[first], profile[second]):
        return None
    return float((second - first) * STEP_PX)


def share_of_doubled(cut: F32, row: float, column: float) -> float:
    """
    Share of the stars that have the second image, less the share that chance gives.

    Of all and of the brighter half the smaller share: a second image stands by all of them, but
    a slope of the sky, as at the edge of an obstruction, adds light beside faint stars only.
    """
    reach = cut.shape[1] // 2
    angle = np.arctan2(row, column) + np.arange(24) * np.pi / 24
    radius = np.hypot(row, column)
    rows = np.rint(radius * np.sin(angle)).astype(int)
    columns = np.rint(radius * np.cos(angle)).astype(int)
    either = np.maximum(
        cut[:, reach + rows, reach + columns], cut[:, reach - rows, reach - columns]
    )
    typical = np.median(either[:, 0])
    has = either > LIKE_TYPICAL * typical
    return min(beyond_chance(has), beyond_chance(has[: (len(has) + 1) // 2]))


def beyond_chance(has: Mask) -> float:
    """Share of stars with light at the first of many places, beyond that at the others."""
    share = has.mean(axis=0)
    chance = float(np.median(share[4:-3]))
    return float((share[0] - chance) / max(1 - chance, 1e-6))
