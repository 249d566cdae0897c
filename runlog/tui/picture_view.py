"""One frame in half-block cells, with zoom, pan and what is drawn over it."""

import os
from collections.abc import Callable
from typing import Any

import numpy as np
from rich.segment import Segment
from textual.events import Click, MouseScrollDown, MouseScrollUp
from textual.message import Message
from textual.strip import Strip

from runlog.actions.pictures import FullPicture, Picture
from runlog.core.overlay import Laying
from runlog.tui import paint
from runlog.tui.in_pixels import InPixels
from runlog.tui.pixels import fine
from runlog.tui.session import Session
from runlog.tui.text import clock, fitted, safe, styled

ZOOMS = tuple(2.0**n for n in range(9))  # 256 takes 150 megapixels to the pixel in 80 columns
CLOSEST_DOTS = 8.0  # to a pixel of the frame; closer there is nothing more to see
PAN_SHARE = 0.25


class PictureView(InPixels):
    """A frame; it loads nothing, it draws what it is given."""

    class Turned(Message):
        """The wheel asks for a closer look or a step back."""

        def __init__(self, step: int) -> None:
            super().__init__()
            self.step = step

    def __init__(self, session: Session, **more: Any) -> None:
        super().__init__(session, **more)
        self.picture: Picture | None = None
        self.full: FullPicture | None = None
        self.over: Picture | None = None  # shown in the place of the picture, star on star
        self.way: Laying | None = None
        self.title = ""
        self.words = ""
        self.zoom_at = 0
        self.middle = (0.5, 0.5)
        self.overlay = False
        self.hardness = 1
        self.like: PictureView | None = None  # stretched as this one is, to be compared

    # --- what to show -----------------------------------------------------------------------

    def show(self, picture: Picture | None, title: str = "", words: str = "") -> None:
        """Show a frame's picture, or words where there is none."""
        self.picture, self.title, self.words = picture, title, words
        self.over = self.way = None
        self.full = None
        self.draw_again()

    def lay_over(self, other: Picture | None, way: Laying | None) -> None:
        """Show another frame where this one is, laid on it; None shows this one again."""
        self.over, self.way = other, way
        self.draw_again()

    def show_full(self, full: FullPicture) -> None:
        """Put the file's own pixels in place of the preview."""
        self.full = full
        self.draw_again()

    def zoom(self, step: int) -> None:
        """Look closer (1), step back (-1), or see the whole frame (0)."""
        self.zoom_at = min(max(self.zoom_at + step, 0), self._closest()) if step else 0
        if self.zoom_at == 0:
            self.middle = (0.5, 0.5)
        self.draw_again()

    def _closest(self) -> int:
        """Find the closest look that still shows more than the one before."""
        return self._first_zoom(1 / CLOSEST_DOTS) if self.has_image() else len(ZOOMS) - 1

    def to_pixels(self) -> int:
        """Find the zoom at which a dot is a pixel of the frame."""
        return self._first_zoom(1.0)

    def _first_zoom(self, pixels_a_dot: float) -> int:
        window = paint.fit(self._frame(), self._grid(), 1.0, (0.5, 0.5))
        scale = window.width / max(self._grid()[0], 1)
        reached = (i for i, zoom in enumerate(ZOOMS) if scale / zoom <= pixels_a_dot)
        return next(reached, len(ZOOMS) - 1)

    def has_image(self) -> bool:
        """Tell whether there are pixels to draw."""
        return self.picture is not None and self.picture.image is not None

    def _grid(self) -> tuple[int, int]:
        """Count the dots there are: two to a cell in blocks."""
        wide, high = self._cells()
        if self.pixels_now():
            return self.dots(high)
        return wide, high * 2

    def pixels_now(self) -> bool:
        """What is drawn over a picture is made of letters."""
        return super().pixels_now() and not self.overlay

    def pan(self, across: int, down: int) -> bool:
        """Move by a quarter of what is seen; False at the whole frame, where nothing moves."""
        if self.zoom_at == 0:
            return False
        share = PAN_SHARE / ZOOMS[self.zoom_at]
        x, y = self.middle
        self.middle = (min(max(x + across * share, 0), 1), min(max(y + down * share, 0), 1))
        self.draw_again()
        return True

    def on_mouse_scroll_up(self, event: MouseScrollUp) -> None:
        """Look closer with the wheel."""
        event.stop()
        self.post_message(self.Turned(1))

    def on_mouse_scroll_down(self, event: MouseScrollDown) -> None:
        """Step back with the wheel."""
        event.stop()
        self.post_message(self.Turned(-1))

    def on_click(self, event: Click) -> None:
        """Centre on what was clicked and look closer."""
        if not self.has_image():
            return
        window, frame = self._window(), self._frame()
        x = window.x0 + (event.x + 0.5) / max(self.size.width, 1) * window.width
        y = window.y0 + event.y / max(self.size.height - 1, 1) * window.height
        self.middle = (min(max(x / frame[0], 0), 1), min(max(y / frame[1], 0), 1))
        self.post_message(self.Turned(1))

    # --- drawing ----------------------------------------------------------------------------

    def _frame(self) -> tuple[int, int]:
        assert self.picture is not None
        identity = self.picture.sight.frame.identity
        return identity.width, identity.height

    def _cells(self) -> tuple[int, int]:
        return self.size.width, max(self.size.height - 1, 1)

    def _window(self) -> paint.Window:
        return paint.fit(self._frame(), self._grid(), ZOOMS[self.zoom_at], self.middle)

    def drawn_rows(self) -> list[Strip]:
        """Draw the picture under its title."""
        if self.size.width < 1 or self.size.height < 1:
            return []
        look = self.session.look
        title = Strip([Segment(fitted(self._caption(), self.size.width), styled(look.quiet))])
        if self.picture is None or self.picture.image is None:
            return [title, *self._excuse()]
        cells, window = self._cells(), self._window()
        if self.pixels_now():
            return [title, *self.pixel_lines(self._dots(window, fine), 1, cells[1])]
        dots = self._dots(window, paint.sample)
        marks = self._marks(window, cells) if self.overlay and self.over is None else {}
        colored = bool(look.ground)
        rows = paint.half_blocks(dots, marks, look.ground) if colored else paint.shade_cells(
            dots, marks)  # fmt: skip
        return [title, *rows]

    def _dots(self, window: paint.Window, sample: Callable[..., paint.Array]) -> paint.Array:
        if self.over is not None and self.way is not None and self.over.image is not None:
            return self._laid_dots(self.over, self.way, window, sample)
        assert self.picture is not None
        image, shrink = self.picture.image, self.picture.shrink
        assert image is not None
        contrast = self.contrast()
        if self.full is not None and self.full.image is not None and self.zoom_at > 0:
            image, shrink = self.full.image, self.full.shrink
        found = sample(image, window, self._grid(), shrink)
        grey = contrast.apply(np.nan_to_num(found))
        grey[np.isnan(found)] = 255
        return grey

    def _laid_dots(
        self, over: Picture, way: Laying, window: paint.Window, sample: Callable[..., paint.Array]
    ) -> paint.Array:
        """Draw the other frame moved, and turned by half a turn where it was taken after a flip.

        What is left of a turn, a few degrees at most, is not taken out.
        """
        assert over.image is not None
        image, frame = over.image, self._frame()
        x, y = way.of((window.x0 + window.x1) / 2, (window.y0 + window.y1) / 2)
        if abs(way.rotation_deg) > 90:
            image, x, y = image[::-1, ::-1], frame[0] - 1 - x, frame[1] - 1 - y
        half = window.width / 2, window.height / 2
        moved = paint.Window(x - half[0], y - half[1], x + half[0], y + half[1])
        own = paint.contrast_of(over.image, paint.HARDNESS[self.hardness])
        found = sample(image, moved, self._grid(), over.shrink)
        grey = paint.alike(own, self.contrast()).apply(np.nan_to_num(found))
        grey[np.isnan(found)] = 255
        return grey

    def contrast(self) -> paint.Contrast:
        """Choose the stretch; a frame beside another takes the other's, from its own sky up."""
        assert self.picture is not None
        assert self.picture.image is not None
        own = paint.contrast_of(self.picture.image, paint.HARDNESS[self.hardness])
        other = self.like
        return paint.alike(own, other.contrast()) if other and other.has_image() else own

    def _marks(
        self, window: paint.Window, cells: tuple[int, int]
    ) -> dict[tuple[int, int], paint.Mark]:
        assert self.picture is not None
        look, sight = self.session.look, self.picture.sight
        streaks, field = sight.frame.placement.streaks, sight.frame.measurement.field
        zones = field.zones if field else ()
        return {
            **paint.star_marks(sight.stars, window, cells, look.accent),
            **paint.streak_marks(streaks, window, cells, look.doubtful),
            **paint.tilt_marks(zones, self._frame(), window, cells, look.doubtful),
        }

    def _excuse(self) -> list[Strip]:
        trouble = self.picture.trouble if self.picture is not None else ""
        words = safe(trouble or self.words)
        return [Strip([]), Strip([Segment(fitted(f"  {words}", self.size.width))])]

    def _caption(self) -> str:
        zoom = f"  {ZOOMS[self.zoom_at]:g}×" if self.zoom_at else ""
        if self.picture is None:
            return f" {self.title}{zoom}"
        over = self.over
        frame = (over or self.picture).sight.frame
        if over is not None:
            zoom = f"  the best frame, laid on this one{zoom}"
        fwhm_px = frame.measurement.fwhm_px
        width = f"  FWHM {fwhm_px:.2f} px" if fwhm_px is not None else ""
        full = self._full_words()
        taken = clock(frame.header.taken_at_utc, self.session.zone)
        return f" {self.title}{taken}{width}{zoom}{full}{_file_name(over or self.picture)}"

    def _full_words(self) -> str:
        if self.full is None:
            return ""
        if self.full.trouble:
            return f"  ({safe(self.full.trouble)})"
        return "  full resolution"


def _file_name(picture: Picture) -> str:
    """Give the name of its file, after all that is shorter."""
    paths = picture.sight.paths
    return f"  {safe(os.fsdecode(os.path.basename(paths[0][0])))}" if paths else ""
