"""Stars from corner to corner at full resolution: where width and stretch change over the field."""

from collections.abc import Sequence
from typing import Any

import numpy as np
from rich.segment import Segment
from textual.strip import Strip

from runlog.actions.pictures import Picture
from runlog.core.robust import MAD_TO_SIGMA
from runlog.tui import paint
from runlog.tui.in_pixels import InPixels
from runlog.tui.pixels import fine
from runlog.tui.session import Session
from runlog.tui.text import fitted, safe, styled

# Cut-outs 0-4 lie on one diagonal, 5-8 on the other; they share the centre, number 2.
DIAGONALS = ((0, 1, 2, 3, 4), (5, 6, 2, 7, 8))
NAMES = (
    ("top left", "half way", "centre", "half way", "bottom right"),
    ("bottom left", "half way", "centre", "half way", "top right"),
)
STAR_HARDNESS = 4.0
NO_STAR = " no star"
STAR_NOISES = 15.0  # fainter than this there is no star, and noise must not look like one
BRIGHT_PERCENTILE = 99.5  # a lone hot pixel does not make a star look faint
# The ninth of the frame each place lies in, for the values beside its name.
ZONES = ((0, None, 4, None, 8), (6, None, 4, None, 2))


class Edges(InPixels):
    """Two strips of five squares, each a star and what is around it."""

    PICTURES = 2

    def __init__(self, session: Session, **more: Any) -> None:
        super().__init__(session, **more)
        self.picture: Picture | None = None

    def show(self, picture: Picture | None) -> None:
        """Show the cut-outs of a frame."""
        self.picture = picture
        self.draw_again()

    def drawn_rows(self) -> list[Strip]:
        """Draw the two strips."""
        look = self.session.look
        cuts = self.picture.cutouts if self.picture is not None else ()
        if len(cuts) < 9:
            words = self.picture.trouble if self.picture and self.picture.trouble else ""
            return [Strip([Segment(fitted(safe(f"  No cut-outs. {words}"), self.size.width))])]
        lines = max((self.size.height - 2) // 2, 1)
        if self.pixels_now():
            return self._in_pixels(cuts, lines)
        side = max(min((self.size.width - 4) // 5, lines * 2, cuts[0].shape[0]), 2)
        side -= side % 2
        rows: list[Strip] = []
        for numbers, names, zones in zip(DIAGONALS, NAMES, ZONES, strict=True):
            if side * (len(rows) > 0) and len(rows) + 1 + side // 2 > self.size.height:
                break
            labels = self._labels(numbers, names, zones, side)
            rows.append(Strip([Segment(labels, styled(look.quiet))]))
            rows += self._strip([cuts[i] for i in numbers], side, bool(look.ground), look.ground)
        return rows

    def _in_pixels(self, cuts: Sequence[paint.Array], lines: int) -> list[Strip]:
        """Draw every pixel of the squares as large as there is room for five beside one another."""
        wide, high = self.dots(lines)
        side = min(high, (wide - 4) // 5)
        cells, rows = (side + 1) * self.size.width // max(wide, 1), []
        for n, (numbers, names, zones) in enumerate(zip(DIAGONALS, NAMES, ZONES, strict=True)):
            labels = self._labels(numbers, names, zones, max(cells - 1, 1))
            rows.append(Strip([Segment(labels, styled(self.session.look.quiet))]))
            grey = np.full((high, wide), 255, np.uint8)
            for at, number in enumerate(numbers):
                cut = cuts[number]
                whole = paint.Window(0, 0, cut.shape[1], cut.shape[0])
                square = _stretched(cut, fine(cut, whole, (side, side)))
                grey[:side, at * (side + 1) : at * (side + 1) + side] = square
            rows += self.pixel_lines(grey, n * (lines + 1) + 1, lines, n)
        return rows

    def _labels(
        self,
        numbers: tuple[int, ...],
        names: tuple[str, ...],
        zones: tuple[int | None, ...],
        side: int,
    ) -> str:
        starry = [self._has_star(number) for number in numbers]
        values = [self._values(z) if s else NO_STAR for z, s in zip(zones, starry, strict=True)]
        labels = [f"{name}{words}" for name, words in zip(names, values, strict=True)]
        if any(len(label) > side for label in labels):
            labels = [n if s else NO_STAR.strip() for n, s in zip(names, starry, strict=True)]
        return fitted(" ".join(fitted(label, side) for label in labels), self.size.width)

    def _has_star(self, number: int) -> bool:
        """Tell whether a measured star lies in a cut-out: else what is bright there is none."""
        seen = self.picture
        if seen is None or not seen.sight.frame.measurement.star_list.x:
            return True  # nothing is known of where stars are
        left, top = seen.corners[number]
        side = seen.cutouts[number].shape[0]
        return any(
            left <= x < left + side and top <= y < top + side for x, y, _ in seen.sight.stars
        )

    def _values(self, zone: int | None) -> str:
        field = self.picture.sight.frame.measurement.field if self.picture is not None else None
        if zone is None or field is None:
            return ""
        width, stretch = field.zones[zone].fwhm_px, field.zones[zone].eccentricity
        words = f" {width:.2f}px" if width is not None else ""
        return f"{words} {stretch:.2f}" if stretch is not None and words else words

    def _strip(self, cuts: list[paint.Array], side: int, colored: bool, ground: str) -> list[Strip]:
        parts = []
        for cut in cuts:
            parts.append(_stretched(cut, _middle(cut, side)))
            parts.append(np.full((side, 1), 255, np.uint8))
        dots = np.concatenate(parts[:-1], axis=1)
        rows = paint.half_blocks(dots, {}, ground) if colored else paint.shade_cells(dots, {})
        return [row.adjust_cell_length(self.size.width) for row in rows]


def _stretched(cut: paint.Array, shown: paint.Array) -> paint.Array:
    """Stretch what is shown of a cut-out, from its sky to its star."""
    black = float(np.median(cut))
    noise = MAD_TO_SIGMA * float(np.median(np.abs(cut - black)))
    white = float(np.percentile(shown, BRIGHT_PERCENTILE))
    white = max(white, black + STAR_NOISES * noise, black + 1e-6)
    return paint.Contrast(black, white, STAR_HARDNESS).apply(shown)


def _middle(cut: paint.Array, side: int) -> paint.Array:
    start = (cut.shape[0] - side) // 2
    return cut[start : start + side, start : start + side]
