"""A sweep drawn in characters: its V, the fit, the minimum, and the night's frames beneath."""

from collections.abc import Callable, Sequence

import numpy as np

from runlog.core.focus.judge import Result
from runlog.core.focus.sweep import FEWEST_POSITIONS

WIDTH, HEIGHT = 56, 11
POINT, FIT, LEAST, FRAME, FRAMES = "o", ".", "|", "x", "X"
LEFT = 7  # cells of the scale


def plot(result: Result, frames: Sequence[float] = ()) -> list[str]:
    """Draw half-flux radius over position; `frames` are where the focuser stood in lights."""
    used = result.sweep.used
    if result.sweep.positions < FEWEST_POSITIONS:
        return []
    places = np.array([p.position for p in used])
    sizes = np.array([p.hfr_px or 0.0 for p in used])
    low, high = float(places.min()), float(places.max())
    pad = 0.02 * (high - low)
    low, high, top = low - pad, high + pad, 1.05 * float(sizes.max())
    grid = [[" "] * WIDTH for _ in range(HEIGHT)]

    def column(place: float) -> int:
        return round((place - low) / (high - low) * (WIDTH - 1))

    def put(place: float, size: float, sign: str) -> None:
        n, line = column(place), HEIGHT - 1 - round(size / top * (HEIGHT - 1))
        if 0 <= n < WIDTH and 0 <= line < HEIGHT:
            grid[line][n] = sign

    if result.fit is not None and result.good:
        for line in grid:
            line[column(result.fit.best)] = LEAST
        for n in range(WIDTH):
            place = low + n / (WIDTH - 1) * (high - low)
            put(place, float(result.fit.at(np.array([place]))[0]), FIT)
    for place, size in zip(places, sizes, strict=True):
        put(float(place), float(size), POINT)
    scale = [f"{top - n * top / (HEIGHT - 1):{LEFT - 2}.1f} " for n in range(HEIGHT)]
    lines = [head + "|" + "".join(line).rstrip() for head, line in zip(scale, grid, strict=True)]
    lines.append(" " * (LEFT - 1) + "+" + "-" * WIDTH)
    lines.append(" " * LEFT + _ends(f"{places.min():.0f}", f"{places.max():.0f}"))
    return lines + _rug(frames, low, high, column)


def _ends(left: str, right: str) -> str:
    return left + right.rjust(WIDTH - len(left))


def _rug(
    places: Sequence[float], low: float, high: float, column: Callable[[float], int]
) -> list[str]:
    if not places:
        return []
    inside = [place for place in places if low <= place <= high]
    cells = [" "] * WIDTH
    for place in inside:
        n = column(place)
        cells[n] = FRAME if cells[n] == " " else FRAMES
    lines = [" " * LEFT + "".join(cells).rstrip()] if inside else []
    outside = len(places) - len(inside)
    if outside:
        lines.append(" " * LEFT + f"{outside} of the night's frames lie outside the swept range")
    return lines
