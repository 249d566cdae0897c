"""Stars of a frame above the same stars of its run's best, as large as the room allows."""

from collections.abc import Callable
from math import cos, radians, sin, sqrt
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.segment import Segment
from textual.strip import Strip

from runlog.core.frame import Zone
from runlog.core.robust import MAD_TO_SIGMA
from runlog.core.times import Zone as TimeZone
from runlog.tui import paint
from runlog.tui.in_pixels import InPixels
from runlog.tui.look import Look
from runlog.tui.pixels import fine
from runlog.tui.session import Session
from runlog.tui.text import clock, fitted, safe, styled

if TYPE_CHECKING:
    from runlog.actions.pictures import Picture
    from runlog.actions.star_pairs import Cut, StarPair, StarPairs

Sample = Callable[..., paint.Array]  # paint.sample for blocks, pixels.fine for pixels
HARDNESS = (1.5, 4.0, 12.0)  # soft, usual, hard
NOISES = 15.0  # fainter than this there is no star, and noise must not look like one
BRIGHT_PERCENTILE = 99.5  # a lone hot pixel does not make a star look faint
OUTSIDE = 255
ELLIPSE_POINTS = 72
GAP = 1  # columns between squares


class Stars(InPixels):
    """Two rows of squares; it loads nothing, it draws what it is given."""

    PICTURES = 2

    def __init__(self, session: Session, **more: Any) -> None:
        super().__init__(session, **more)
        self.found: StarPairs | None = None
        self.words = ""
        self.overlay = False
        self.hardness = 1

    def wait(self, words: str) -> None:
        """Say what is being done, or what stands in the way."""
        self.found, self.words = None, words
        self.draw_again()

    def show(self, found: "StarPairs") -> None:
        """Draw the stars of a frame."""
        self.found, self.words = found, ""
        self.draw_again()

    def drawn_rows(self) -> list[Strip]:
        """Draw this frame's stars, and the best one's below."""
        found, look, width = self.found, self.session.look, self.size.width
        if found is None or not found.pairs:
            words = self.words or (found.trouble if found else "")
            return [Strip([]), Strip([Segment(fitted(f"  {safe(words)}", width))])]
        compared = found.best is not None and not found.trouble
        lines = max((self.size.height - 2) // 2, 1)
        rows = [_title(self._own_words(found), width, look), *self._row(lines, best=False)]
        if not compared:
            return [*rows, _title(found.trouble, width, look)]
        below = _title(_best_words(found, self.session.zone), width, look)
        return [*rows, below, *self._row(lines, best=True)]

    def _own_words(self, found: "StarPairs") -> str:
        source = "" if found.from_files else "  (its file is not read)"
        return f"this frame{_words_of(found.seen, self.session.zone)}{source}"

    def _row(self, lines: int, *, best: bool) -> list[Strip]:
        """Draw squares on some lines, as many as there is room for."""
        if self.pixels_now():
            return self._pixel_row(lines, best=best)
        assert self.found is not None
        look, width = self.session.look, self.size.width
        side = max(min(lines * 2, width), 2)
        dots, ellipses = self._squares(width, side, paint.sample, best=best)
        marks = {(x, y // 2): ("∙", look.accent) for x, y in ellipses} if self.overlay else {}
        dots = dots[: side - side % 2]
        rows = paint.half_blocks(dots, marks, look.ground) if look.ground else paint.shade_cells(
            dots, marks)  # fmt: skip
        return [row.adjust_cell_length(width) for row in rows]

    def _pixel_row(self, lines: int, *, best: bool) -> list[Strip]:
        wide, high = self.dots(lines)
        side = min(wide, high)
        dots, ellipses = self._squares(wide, side, fine, best=best)
        grey = np.full((high, wide), OUTSIDE, np.uint8)
        grey[: dots.shape[0], : dots.shape[1]] = dots[:, :wide]
        marked = np.zeros(grey.shape, bool)
        for x, y in ellipses if self.overlay else ():
            marked[y, x] = x < wide
        top = 2 + lines if best else 1
        return self.pixel_lines(grey, top, lines, int(best), marked)

    def _squares(
        self, width: int, side: int, sample: Sample, *, best: bool
    ) -> tuple[paint.Array, list[tuple[int, int]]]:
        """Put squares of stars beside one another: dots, and those of their ellipses."""
        assert self.found is not None
        found, parts, ellipses = self.found, [], []
        pairs = in_order(found.pairs, max(width // (side + GAP), 1))
        for at, pair in enumerate(pairs):
            own, its = _sampled(pair, side, found.reach_px, sample)
            parts.append(self._stretched(own, its, its if best else own))
            parts.append(np.full((side, GAP), OUTSIDE, np.uint8))
            of = found.best if best else found.seen
            spot = (pair.best_x, pair.best_y) if best else (pair.x, pair.y)
            left = at * (side + GAP)
            ellipses += [(left + x, y) for x, y in _ellipse(of, spot, side, found.reach_px)]
        return np.concatenate(parts[:-1], axis=1), ellipses

    def _stretched(
        self, own: paint.Array, its: paint.Array | None, shown: paint.Array | None
    ) -> paint.Array:
        """Stretch by one scale for both: each from its own sky to the brighter star's light."""
        if shown is None or np.isnan(shown).all():
            return np.full(own.shape, OUTSIDE, np.uint8)
        light = max(_light(cut) for cut in (own, its) if cut is not None)
        black = float(np.nanmedian(shown))
        contrast = paint.Contrast(black, black + light, HARDNESS[self.hardness])
        grey = contrast.apply(np.nan_to_num(shown, nan=black))
        grey[np.isnan(shown)] = OUTSIDE
        return grey


def in_order(pairs: "tuple[StarPair, ...]", most: int) -> "list[StarPair]":
    """Take as many as there is room for, the middle and the corners first, left to right."""
    return sorted(pairs[:most], key=lambda pair: (pair.x, pair.y))


def _sampled(
    pair: "StarPair", side: int, reach: float, sample: Sample
) -> tuple[paint.Array, paint.Array | None]:
    empty = np.full((side, side), np.nan, np.float32)
    own = _dots(pair.own, pair.x, pair.y, side, reach, sample)
    its = None
    if pair.best_x is not None and pair.best_y is not None:
        its = _dots(pair.best, pair.best_x, pair.best_y, side, reach, sample)
    return (empty if own is None else own), its


def _dots(
    cut: "Cut", x: float, y: float, side: int, reach: float, sample: Sample
) -> paint.Array | None:
    """Sample a square of `reach` about a star's middle; pixels are centred on whole numbers."""
    if cut.image is None or not cut.image.size:
        return None
    x, y = x + 0.5 - cut.left, y + 0.5 - cut.top
    window = paint.Window(x - reach, y - reach, x + reach, y + reach)
    return sample(cut.image, window, (side, side), cut.shrink)


def _light(dots: paint.Array) -> float:
    """Give how far a star stands out of its sky, at the least so far that noise stays noise."""
    values = dots[np.isfinite(dots)]
    if not values.size:
        return 1e-6
    sky = float(np.median(values))
    noise = MAD_TO_SIGMA * float(np.median(np.abs(values - sky)))
    return max(float(np.percentile(values, BRIGHT_PERCENTILE)) - sky, NOISES * noise, 1e-6)


def _ellipse(
    of: "Picture | None", spot: tuple[float | None, float | None], side: int, reach: float
) -> set[tuple[int, int]]:
    """Give the dots of the half-maximum ellipse that was measured around a star."""
    if of is None or spot[0] is None or spot[1] is None:
        return set()
    axes = _axes(of, spot[0], spot[1])
    if axes is None:
        return set()
    long, short, angle = axes
    turn = np.linspace(0, 2 * np.pi, max(ELLIPSE_POINTS, 4 * side))
    a, b = long * np.cos(turn), short * np.sin(turn)
    x, y = a * cos(angle) - b * sin(angle), a * sin(angle) + b * cos(angle)
    columns, lines = (np.rint((v / reach + 1) / 2 * side - 0.5).astype(int) for v in (x, y))
    places = zip(columns.tolist(), lines.tolist(), strict=True)
    return {(x, y) for x, y in places if 0 <= x < side and 0 <= y < side}


def _axes(of: "Picture", x: float, y: float) -> tuple[float, float, float] | None:
    """Give half axes in px and the angle, of the ninth of the frame the star lies in or of all."""
    frame = of.sight.frame
    m, identity = frame.measurement, frame.identity
    whole = Zone(m.stars or 0, m.fwhm_px, m.eccentricity, m.elongation_deg)
    zones = m.field.zones if m.field else ()
    at = min(int(3 * y / identity.height), 2) * 3 + min(int(3 * x / identity.width), 2)
    own = zones[at] if len(zones) == 9 and zones[at].fwhm_px is not None else whole
    if own.fwhm_px is None:
        return None
    ratio = sqrt(max(1 - (own.eccentricity or 0.0) ** 2, 0.01))
    half = own.fwhm_px / 2
    return half / sqrt(ratio), half * sqrt(ratio), radians(own.elongation_deg or 0.0)


def _words_of(of: "Picture", zone: TimeZone) -> str:
    m = of.sight.frame.measurement
    taken = f"  {clock(of.sight.frame.header.taken_at_utc, zone)}"
    width = f"  FWHM {m.fwhm_px:.2f} px" if m.fwhm_px is not None else ""
    stretch = f"  ecc. {m.eccentricity:.2f}" if m.eccentricity is not None else ""
    return f"{taken}{width}{stretch}"


def _best_words(found: "StarPairs", zone: TimeZone) -> str:
    assert found.best is not None
    return f"the same stars in the best{_words_of(found.best, zone)}"


def _title(words: str, width: int, look: Look) -> Strip:
    return Strip([Segment(fitted(f" {safe(words)}", width), styled(look.quiet))])
