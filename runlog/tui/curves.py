"""A star's radial profile and curve of growth, beside the best frame's, in letters."""

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from rich.segment import Segment
from rich.style import Style
from textual.strip import Strip

from runlog.core.charts import RISES, Curve, StarChart, star_charts
from runlog.core.times import Zone
from runlog.tui.drawn_once import DrawnOnce
from runlog.tui.look import Look
from runlog.tui.session import Session
from runlog.tui.text import clock, fitted, safe, styled
from runlog.tui.timeline import QUARTERS

if TYPE_CHECKING:
    from runlog.actions.curves import StarCurves

Cell = tuple[str, Style]
MARGIN = 6  # cells left of a chart, for its values
BEST = "○"
WIDE = 84  # from here on the two charts stand side by side
LEAST_LINES = 7  # of a chart with its name and its axis


class Curves(DrawnOnce):
    """Two charts of one star; it loads nothing, it draws what it is given."""

    def __init__(self, session: Session, **more: Any) -> None:
        super().__init__(session, **more)
        self.words = ""
        self.own: StarCurves | None = None
        self.best: StarCurves | None = None

    def wait(self, words: str) -> None:
        """Say what is being done, or what stands in the way."""
        self._give(words, None, None)

    def show(self, own: "StarCurves", best: "StarCurves | None") -> None:
        """Draw a frame's star, and the best frame's where there is one."""
        self._give("", own, best)

    def _give(self, words: str, own: "StarCurves | None", best: "StarCurves | None") -> None:
        self.words, self.own, self.best = words, own, best
        self.draw_again()

    def drawn_rows(self) -> list[Strip]:
        """Draw the charts, or the words in their place."""
        return self._draw(self.session.look) if self.size.area else []

    def _draw(self, look: Look) -> list[Strip]:
        width, height = self.size
        if self.own is None or self.own.profile is None:
            words = self.words or (self.own and self.own.trouble) or ""
            return [Strip([]), Strip([Segment(fitted(f"  {safe(words)}", width))])]
        lines = [
            line for line in (own_words(self.own), best_words(self.best, self.session.zone)) if line
        ]
        heads = [
            Strip([Segment(fitted(f" {sign} {line}", width), styled(color))])
            for line, sign, color in zip(lines, "█" + BEST, (look.text, look.accent), strict=False)
        ]
        return heads + self._charts(look, width, height - len(heads))

    def _charts(self, look: Look, width: int, height: int) -> list[Strip]:
        charts = star_charts(*(of.profile if of else None for of in (self.own, self.best)))
        if width >= WIDE:
            left = width // 2
            pair = [draw(chart, (w, height), look)
                    for chart, w in zip(charts, (left, width - left), strict=True)]  # fmt: skip
            return [_strip([*a, *b]) for a, b in zip(*pair, strict=True)]
        shown = charts if height >= 2 * LEAST_LINES else charts[:1]
        each = height // len(shown)
        return [_strip(row) for chart in shown for row in draw(chart, (width, each), look)]


def own_words(own: "StarCurves") -> str:
    """Say which star is drawn, its widths, and what they were read from."""
    words = f"this frame  {_star(own)}"
    return words if own.from_file else f"{words}; its file is not there: from the stored cut-out"


def best_words(best: "StarCurves | None", zone: Zone) -> str:
    """Say what it is compared with."""
    if best is None:
        return "no other frame of this target and filter was kept: none to compare with"
    taken = clock(best.picture.sight.frame.header.taken_at_utc, zone)
    return f"best, {taken}  {_star(best) if best.profile else best.trouble}"


def _star(of: "StarCurves") -> str:
    assert of.profile is not None
    width, half = of.profile.fwhm_px, of.profile.half_flux_px
    wide = "" if width is None else f"rings {width:.1f} px at half height, "
    return f"{wide}half its light in {half:.1f} px; {of.place}, x {of.x:.0f} y {of.y:.0f}"


def draw(chart: StarChart, size: tuple[int, int], look: Look) -> list[list[Cell]]:
    """
    Draw one chart: its name, the curves, and distances in px below.

    Curves are drawn in quarters of a cell; the best frame's in rings, so that no colour is
    needed to tell them apart.
    """
    width, height = max(size[0] - MARGIN - 1, 4), max(size[1] - 2, 1)
    cells: dict[tuple[int, int], Cell] = {}
    if chart.best is not None:
        for x, y in _dots(chart.best, chart.reach_px, width, height, 1):
            cells[x, y] = BEST, styled(look.accent)
    bits: dict[tuple[int, int], int] = {}
    for x, y in _dots(chart.own, chart.reach_px, width, height, 2) if chart.own else ():
        bits[x // 2, y // 2] = bits.get((x // 2, y // 2), 0) | 1 << (x % 2 + 2 * (y % 2))
    cells |= {at: (QUARTERS[bit], styled(look.text, bold=True)) for at, bit in bits.items()}
    quiet, blank = styled(look.quiet), (" ", Style())
    labels = {round((1 - rise) * (height - 1)): word for rise, word in RISES if height > 2}
    rows = [[*_letters(f"{'':{MARGIN}}{chart.name}", size[0], quiet)]]
    for y in range(height):
        word = labels.get(y, "")
        axis = _letters(f"{word:>{MARGIN - 1}}{'┤' if word else '│'}", MARGIN, quiet)
        rows.append([*axis, *(cells.get((x, y), blank) for x in range(width)), blank])
    return [*rows, _letters(_distances(chart, width), size[0], quiet)]


def _dots(
    curve: Curve, reach_px: float, width: int, height: int, fine: int
) -> list[tuple[int, int]]:
    """Places of a curve's dots, `fine` to a cell each way; steep parts are joined."""
    count, top = width * fine, height * fine - 1
    at = (np.arange(count) + 0.5) / count * reach_px
    value = np.interp(at, curve.at_px, curve.share, right=np.nan)
    rise = np.rint((1 - np.clip(value, 0, 1)) * top)
    dots, before = [], None
    for x, y in enumerate(rise):
        if np.isnan(y):
            break
        low, high = sorted((int(y), int(y) if before is None else before))
        step = low + 1 if before is not None and int(y) > before else low
        dots += [(x, k) for k in range(step, high + (before is None or int(y) >= before))]
        dots.append((x, int(y)))
        before = int(y)
    return dots


def _distances(chart: StarChart, width: int) -> str:
    """Write the axis of distances below a chart."""
    row = [" "] * (MARGIN + width + 1)
    for value, words in chart.distances:
        start = MARGIN + round(value / chart.reach_px * width)
        label = f"╵{words}"
        if start + len(label) <= len(row) and row[start] == " ":
            row[start : start + len(label)] = label
    return "".join(row)


def _letters(words: str, width: int, style: Style) -> list[Cell]:
    return [(letter, style) for letter in fitted(words, width)]


def _strip(cells: Sequence[Cell]) -> Strip:
    return Strip([Segment(text, style) for text, style in cells])
