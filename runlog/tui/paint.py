"""From pixels to half-block cells: contrast, sampling, and what is drawn on top. Pure arrays."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from rich.color import Color
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from runlog.core.frame import Streak, Zone
from runlog.core.robust import MAD_TO_SIGMA

Array = np.ndarray[Any, Any]

GREYS = 40  # more cannot be told apart in a terminal, and each step costs bytes over a slow link
SHADES = " ·░▒▓█"  # where there is no colour
HARDNESS = (0.35, 1.0, 3.0)  # soft, usual, hard: times what shows the sky's noise
NOISE_SHARE = 0.07  # of the way from black to white: seen, yet not in the way
LEAST_HARDNESS, MOST_HARDNESS = 3.0, 20_000.0
DARK_PERCENTILE, BRIGHT_PERCENTILE = 4.0, 99.85
SAMPLE = 60_000  # pixels are enough for percentiles


@dataclass(frozen=True, slots=True)
class Contrast:
    """What is black, what is white, and how hard faint things are pulled up."""

    black: float
    white: float
    hardness: float = LEAST_HARDNESS

    def apply(self, image: Array) -> Array:
        """Stretch to 0 ... GREYS - 1 as uint8: asinh, so that faint and bright both show."""
        share = np.clip((image - self.black) / (self.white - self.black), 0.0, 1.0)
        bent = np.arcsinh(share * self.hardness) / np.arcsinh(self.hardness)
        greys: Array = np.rint(bent * (GREYS - 1)).astype(np.uint8)
        return greys


def contrast_of(image: Array, harder: float = 1.0) -> Contrast:
    """Choose black and white from percentiles, and the bend so that the sky's noise just shows.

    A crowded field has its white far above the sky; the bend then grows until a faint nebula,
    a few times the noise, stands clear of black all the same.
    """
    step = max(1, int(image.size / SAMPLE))
    values = image.reshape(-1)[::step]
    values = values[np.isfinite(values)]
    if not values.size:
        return Contrast(0.0, 1.0)
    black, middle, white = np.percentile(values, [DARK_PERCENTILE, 50, BRIGHT_PERCENTILE])
    noise = MAD_TO_SIGMA * float(np.median(np.abs(values - middle)))
    white = max(float(white), float(black) + 1e-6)
    return Contrast(float(black), white, _hardness(noise / (white - black), harder))


def alike(own: Contrast, other: Contrast) -> Contrast:
    """Stretch one frame as another is, from its own sky up: so dimmer stars look dimmer."""
    return Contrast(own.black, own.black + other.white - other.black, other.hardness)


def _hardness(noise_share: float, harder: float) -> float:
    """Solve asinh(noise_share * h) / asinh(h) = NOISE_SHARE for h, nearly, and scale it."""
    if noise_share <= 0:
        return LEAST_HARDNESS
    hardness = 10.0
    for _ in range(12):  # converges: each side grows as a logarithm
        hardness = float(np.sinh(NOISE_SHARE * np.arcsinh(hardness)) / noise_share)
        hardness = min(max(hardness, LEAST_HARDNESS), MOST_HARDNESS)
    return max(hardness * harder, LEAST_HARDNESS)


@dataclass(frozen=True, slots=True)
class Window:
    """The part of a frame that is shown, in frame pixels."""

    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def width(self) -> float:
        """Its width in frame pixels."""
        return self.x1 - self.x0

    @property
    def height(self) -> float:
        """Its height in frame pixels."""
        return self.y1 - self.y0


def fit(frame: tuple[int, int], dots: tuple[int, int], zoom: float, at: tuple[float, float]
        ) -> Window:  # fmt: skip
    """Place a window of the screen's shape on a frame (sizes as width, height), kept inside it.

    At zoom 1 the whole frame is inside, with bars at two sides.
    """
    scale = max(frame[0] / max(dots[0], 1), frame[1] / max(dots[1], 1)) / zoom
    spans = dots[0] * scale, dots[1] * scale
    middles = [
        size / 2 if span >= size else min(max(place * size, span / 2), size - span / 2)
        for size, span, place in zip(frame, spans, at, strict=True)
    ]
    return Window(
        middles[0] - spans[0] / 2, middles[1] - spans[1] / 2,
        middles[0] + spans[0] / 2, middles[1] + spans[1] / 2,
    )  # fmt: skip


def sample(image: Array, window: Window, dots: tuple[int, int], shrink: float = 1.0) -> Array:
    """Average the image over each dot of the screen, by the share of each pixel it covers.

    Parameters
    ----------
    image : (h, w); `shrink` frame pixels to one of its pixels.
    window : in frame pixels; what lies outside the image comes back as NaN.
    dots : width and height of the result.
    """
    columns = _shares(image.shape[1], window.x0 / shrink, window.x1 / shrink, dots[0])
    rows = _shares(image.shape[0], window.y0 / shrink, window.y1 / shrink, dots[1])
    x_from, x_to = _used(columns)
    y_from, y_to = _used(rows)
    part = image[y_from:y_to, x_from:x_to].astype(np.float32)
    summed = rows[:, y_from:y_to] @ part @ columns[:, x_from:x_to].T
    weight = np.outer(rows.sum(axis=1), columns.sum(axis=1))
    with np.errstate(invalid="ignore", divide="ignore"):
        found: Array = np.where(weight > 0.25 * weight.max(initial=0), summed / weight, np.nan)
    return found


def _shares(pixels: int, start: float, end: float, dots: int) -> Array:
    """Weights of pixels in dots along one axis: (dots, pixels)."""
    edges = np.linspace(start, end, dots + 1)[:, None]
    left = np.clip(edges, np.arange(pixels), np.arange(1, pixels + 1))
    covered: Array = (left[1:] - left[:-1]).astype(np.float32)
    return covered


def _used(shares: Array) -> tuple[int, int]:
    used = np.flatnonzero(shares.any(axis=0))
    return (int(used[0]), int(used[-1]) + 1) if used.size else (0, 0)


# --- cells ----------------------------------------------------------------------------------

Mark = tuple[str, str]  # character and colour, on top of a cell


def half_blocks(dots: Array, marks: dict[tuple[int, int], Mark], ground: str) -> list[Strip]:
    """Turn grey dots, two rows to a line, into strips; 255 is outside the frame.

    Parameters
    ----------
    dots : (2 * lines, columns) uint8 of 0 ... GREYS - 1, or 255.
    marks : by (column, line).
    """
    palette = _Palette(ground)
    return [
        _line(dots[2 * y], dots[2 * y + 1], {x: m for (x, row), m in marks.items() if row == y},
              palette)
        for y in range(dots.shape[0] // 2)
    ]  # fmt: skip


class _Palette:
    """Styles by pairs of greys; made once each."""

    def __init__(self, ground: str) -> None:
        outside = Color.parse(ground) if ground else Color.default()
        greys = [Color.from_rgb(*tone(i / (GREYS - 1))) for i in range(GREYS)]
        self._colors = {**dict(enumerate(greys)), 255: outside}
        self._made: dict[tuple[int, int], Style] = {}

    def pair(self, top: int, bottom: int) -> Style:
        style = self._made.get((top, bottom))
        if style is None:
            style = Style.from_color(self._colors[top], self._colors[bottom])
            self._made[top, bottom] = style
        return style


def tone(share: float) -> tuple[float, float, float]:
    """Give a grey with a breath of night blue in the shadows."""
    return 255 * share**1.05, 255 * share, 255 * min(1.0, share**0.93)


def _line(top: Array, bottom: Array, marks: dict[int, Mark], palette: _Palette) -> Strip:
    segments: list[Segment] = []
    x, width = 0, len(top)
    tops, bottoms = top.tolist(), bottom.tolist()
    while x < width:
        pair = tops[x], bottoms[x]
        if x in marks:
            sign, color = marks[x]
            under = palette.pair(pair[0], pair[0] if pair[0] == pair[1] else pair[1])
            segments.append(Segment(sign, Style(color=color or None, bgcolor=under.bgcolor)))
            x += 1
            continue
        end = x + 1
        while end < width and (tops[end], bottoms[end]) == pair and end not in marks:
            end += 1
        sign = " " if pair[0] == pair[1] else "▀"
        segments.append(Segment(sign * (end - x), palette.pair(*pair)))
        x = end
    return Strip(segments, width)


def shade_cells(dots: Array, marks: dict[tuple[int, int], Mark]) -> list[Strip]:
    """Draw without colour: five shades of block, one a cell."""
    strips = []
    for y in range(dots.shape[0] // 2):
        pair = dots[2 * y : 2 * y + 2].astype(int)
        level = np.where(pair == 255, 0, pair).mean(axis=0) / (GREYS - 1) * (len(SHADES) - 1)
        signs = [SHADES[round(v)] for v in level.tolist()]
        for (x, row), (sign, _) in marks.items():
            if row == y and x < len(signs):
                signs[x] = sign
        strips.append(Strip([Segment("".join(signs))], dots.shape[1]))
    return strips


# --- what is drawn on top -------------------------------------------------------------------


def to_cell(x: float, y: float, window: Window, cells: tuple[int, int]) -> tuple[int, int] | None:
    """Find the cell a frame pixel falls in; None outside the window."""
    across = (x - window.x0) / window.width
    down = (y - window.y0) / window.height
    if not (0 <= across < 1 and 0 <= down < 1):
        return None
    return int(across * cells[0]), int(down * cells[1])


def star_marks(
    stars: Iterable[tuple[float, float, float]], window: Window, cells: tuple[int, int], color: str
) -> dict[tuple[int, int], Mark]:
    """Ring the detected stars."""
    found = (to_cell(x, y, window, cells) for x, y, _ in stars)
    return {cell: ("○", color) for cell in found if cell is not None}


def streak_marks(
    streaks: Sequence[Streak],
    window: Window,
    cells: tuple[int, int],
    color: str,
) -> dict[tuple[int, int], Mark]:
    """Dot the trails of satellites and aircraft, every other cell so that they stay visible."""
    marks: dict[tuple[int, int], Mark] = {}
    for s in streaks:
        for share in np.linspace(0, 1, 2 * (cells[0] + cells[1])).tolist():
            cell = to_cell(
                s.x0 + share * (s.x1 - s.x0), s.y0 + share * (s.y1 - s.y0), window, cells
            )
            if cell is not None and sum(cell) % 2 == 0:
                marks[cell] = ("∙", color)
    return marks


ARROWS = "→↘↓↙←↖↑↗"  # by eighths of a turn; a row further down is a larger y
TILT_REACH = 0.3  # of the frame's smaller side, from its middle to either end of the arrow
LEAST_TILT = 0.03  # of the width: less is not told from none


def tilt_marks(
    zones: Sequence[Zone],
    frame: tuple[int, int],
    window: Window,
    cells: tuple[int, int],
    color: str,
) -> dict[tuple[int, int], Mark]:
    """Point from where stars are narrow to where they are wide, with the widths at both ends."""
    slope = tilt(zones)
    if slope is None:
        return {}
    middle, across, down = slope
    rise = float(np.hypot(across, down))
    if rise < LEAST_TILT * middle:
        centre = frame[0] / 2, frame[1] / 2
        return _written(f" no tilt: {middle:.1f} px ", centre, window, cells, color)
    reach = TILT_REACH * min(frame) / rise
    ends = [(frame[0] / 2 + k * across * reach, frame[1] / 2 + k * down * reach) for k in (-1, 1)]
    marks: dict[tuple[int, int], Mark] = {}
    for share in np.linspace(0, 1, 2 * max(cells)).tolist():
        place = [a + share * (b - a) for a, b in zip(*ends, strict=True)]
        cell = to_cell(place[0], place[1], window, cells)
        if cell is not None:
            marks[cell] = ("∙", color)
    head = ARROWS[round(np.degrees(np.arctan2(down, across)) / 45) % 8]
    for sign, end in zip(("", head), ends, strict=True):
        width = middle + (rise if sign else -rise) / 2
        marks |= _written(f" {sign}{width:.1f} px ", end, window, cells, color)
    return marks


def tilt(zones: Sequence[Zone]) -> tuple[float, float, float] | None:
    """Fit a plane to the widths of nine zones: at the middle, and from side to side, in px.

    None where fewer than six zones tell their width, or these lie in one line.
    """
    known = [(i % 3 / 3 - 1 / 3, i // 3 / 3 - 1 / 3, zone.fwhm_px)
             for i, zone in enumerate(zones) if zone.fwhm_px is not None]  # fmt: skip
    if len(known) < 6:
        return None
    x, y, width = np.array(known, float).T
    found, _, rank, _ = np.linalg.lstsq(np.column_stack([np.ones_like(x), x, y]), width)
    return (float(found[0]), float(found[1]), float(found[2])) if rank == 3 else None


def _written(
    words: str, place: tuple[float, float], window: Window, cells: tuple[int, int], color: str
) -> dict[tuple[int, int], Mark]:
    cell = to_cell(*place, window, cells)
    if cell is None:
        return {}
    left = min(max(cell[0] - len(words) // 2, 0), max(cells[0] - len(words), 0))
    return {(left + k, cell[1]): (c, color) for k, c in enumerate(words) if left + k < cells[0]}
