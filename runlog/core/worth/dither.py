"""Whether frames are dithered and plentiful enough for outliers to be rejected, and for detail.

A hot pixel falls on another place of the sky wherever a frame is shifted by a pixel. Where k of N
frames put it on one place, it stands sqrt((N - k) / k) standard deviations off their mean, whatever
its brightness (two values, k and N - k of them): clipping at 3 sigma finds it only where 10 k < N.
A trail hits a place once, so that more than 10 frames serve; where two cross, more than 20.

Frames whose shifts fill a pixel evenly sample stars that are narrower than two pixels better than
one frame does. Evenness is tested with Rayleigh's test on the fractions of a pixel, on each axis
(Wilkie 1983 for few frames, as astropy has it; from memory).
"""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import ceil, exp, floor, hypot, pi

import numpy as np

from runlog.core.columns import plural
from runlog.core.frame import Frame, Streak
from runlog.core.sky.earth import Floats

CLIP_SIGMA = 3.0  # at which stacks commonly clip (common practice, no source)
FEWEST = 8  # frames that tell of evenness
UNEVEN_P = 0.01
SHARP_PX = 2.0  # narrower stars are not sampled well (Nyquist, for a Gaussian: common practice)
CELL_PX = 8.0  # about as wide as trails are


@dataclass(frozen=True, slots=True)
class Dither:
    """How the kept frames of one picture lie on one another."""

    frames: int
    left_out: int  # laid on another reference, or on none
    fwhm_px: float | None
    p_x: float | None  # of Rayleigh's test; None of too few frames
    p_y: float | None
    places: int  # whole pixels that a hot pixel falls on
    most_on_one: int  # frames on the one that most fall on
    trails: int
    crossed: float | None  # share of the field that two trails or more hit; None without trails

    @property
    def even(self) -> bool | None:
        """Tell whether shifts fill the pixel; None of too few frames to tell."""
        if self.p_x is None or self.p_y is None:
            return None
        return min(self.p_x, self.p_y) >= UNEVEN_P

    @property
    def clips_hot(self) -> bool:
        """Tell whether clipping finds a hot pixel on every place it falls on."""
        return self.most_on_one * (1 + CLIP_SIGMA**2) < self.frames

    @property
    def clips_trails(self) -> bool:
        """Tell whether clipping finds a trail that hits a place once."""
        return self.frames >= frames_needed(1)


def frames_needed(hits: int, sigma: float = CLIP_SIGMA) -> int:
    """Give how many frames it takes to clip what is in so many of them."""
    return floor(hits * (1 + sigma**2)) + 1


def rayleigh_p(angles_rad: Floats) -> float:
    """Give the chance that as uneven angles come from a uniform distribution.

    Parameters
    ----------
    angles_rad : (n,) array
    """
    n = len(angles_rad)
    z = float(np.abs(np.exp(1j * angles_rad).sum()) ** 2 / n)
    few = 1.0
    if n < 50:
        few += (2 * z - z**2) / (4 * n)
        few -= (24 * z - 132 * z**2 + 76 * z**3 - 9 * z**4) / (288 * n**2)
    return exp(-z) * few


def dither_of(kept: Sequence[Frame]) -> Dither | None:
    """Look at the kept frames of one target, filter and rig; None where none was laid on another.

    Those on the reference that most of them were laid on; of as many the first by name.
    """
    laid = Counter(f.placement.matched_to for f in kept if f.placement.shift_x_px is not None)
    if not laid:
        return None
    reference = min(laid, key=lambda key: (-laid[key], key or ""))
    own = [
        f for f in kept
        if f.placement.matched_to == reference and f.placement.shift_x_px is not None
    ]  # fmt: skip
    x, y = (np.array([getattr(f.placement, f"shift_{axis}_px") for f in own]) for axis in "xy")
    tells = len(own) >= FEWEST
    sides = [_is_flipped(f) for f in own]  # a flip takes a hot pixel to the other end of the field
    places = Counter(zip(np.rint(x).tolist(), np.rint(y).tolist(), sides, strict=True))
    widths = [f.measurement.fwhm_px for f in own if f.measurement.fwhm_px is not None]
    trails = [(f, f.placement.streaks) for f in own if f.placement.streaks]
    return Dither(
        len(own), len(kept) - len(own), float(np.median(widths)) if widths else None,
        rayleigh_p(2 * pi * x) if tells else None, rayleigh_p(2 * pi * y) if tells else None,
        len(places), max(places.values()), sum(len(own) for _, own in trails),
        _crossed(trails) if trails else None,
    )  # fmt: skip


def _is_flipped(frame: Frame) -> bool:
    return abs(frame.placement.rotation_deg or 0.0) > 90.0


def _crossed(trails: Iterable[tuple[Frame, Sequence[Streak]]]) -> float:
    """Give the share of the field that trails of two frames or more hit, on a map of cells."""
    hits: Counter[tuple[int, int]] = Counter()
    cells = 1
    for frame, streaks in trails:
        hits.update({cell for streak in streaks for cell in _cells(streak, frame)})
        size = frame.identity
        cells = max(cells, ceil(size.width / CELL_PX) * ceil(size.height / CELL_PX))
    return sum(count > 1 for count in hits.values()) / cells


def _cells(streak: Streak, frame: Frame) -> set[tuple[int, int]]:
    """List the cells of the reference that a trail of a frame hits."""
    place, size = frame.placement, frame.identity
    steps = max(2, ceil(hypot(streak.x1 - streak.x0, streak.y1 - streak.y0) / CELL_PX * 2))
    x = np.linspace(streak.x0, streak.x1, steps) - (place.shift_x_px or 0.0)
    y = np.linspace(streak.y0, streak.y1, steps) - (place.shift_y_px or 0.0)
    if _is_flipped(frame):
        x, y = size.width - 1 - x, size.height - 1 - y
    at = (x // CELL_PX).astype(int).tolist(), (y // CELL_PX).astype(int).tolist()
    return set(zip(*at, strict=True))


# --- in words -------------------------------------------------------------------------------


def dither_words(found: Dither) -> str:
    """Say whether hot pixels and trails can be rejected, and whether finer pixels would gain."""
    left = f"{found.left_out} frames on another reference not looked at" if found.left_out else ""
    parts = [_hot(found), *_trails(found), _detail(found), left]
    return "; ".join(part for part in parts if part)


def _hot(found: Dither) -> str:
    most, frames = found.most_on_one, found.frames
    if frames < 2:
        return "one frame: nothing can be rejected"
    if found.places == 1:
        return (
            f"not dithered: a hot pixel falls on one place in all {frames} frames, and stays there "
            "unless darks take it out"
        )
    spread = (
        f"dithered: a hot pixel falls on no place twice in {frames} frames"
        if most == 1
        else f"a hot pixel falls on one place in up to {most} of {frames} frames"
    )
    if found.clips_hot:
        return f"{spread}, so that clipping at 3 sigma finds it"
    larger = "" if most == 1 else " for so many, or larger dithers"
    return f"{spread}; clipping at 3 sigma needs {frames_needed(most)}{larger}"


def _trails(found: Dither) -> list[str]:
    if not found.trails:
        return []
    trails = plural(found.trails, "trail")
    if not found.clips_trails:
        return [f"{trails}: clipping them takes {frames_needed(1)} frames"]
    crossed = "" if not found.crossed else f", {100 * found.crossed:.1g}% of the field hit twice"
    return [f"{trails}{crossed}: clipping finds what is hit once"]


def _detail(found: Dither) -> str:
    if found.fwhm_px is None:
        return ""
    wide = f"stars {found.fwhm_px:.1f} px wide"
    if found.fwhm_px >= SHARP_PX:
        return f"{wide}: sampled well, finer pixels (drizzle) would gain nothing"
    if found.even is None:
        return f"{wide}: whether shifts fill the pixel is unknown, because there are too few frames"
    if found.even:
        return f"{wide}, and shifts fill the pixel evenly: finer pixels (drizzle) would work"
    return f"{wide}, but shifts do not fill the pixel evenly: finer pixels (drizzle) would not work"
