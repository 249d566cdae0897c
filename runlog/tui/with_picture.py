"""What the picture screen and the doubtful queue share: the picture and the keys that move it."""

from collections import OrderedDict
from collections.abc import Sequence
from functools import partial

from rich.text import Text
from textual import work
from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.widget import Widget
from textual.widgets import Static

from runlog.actions.curves import curves_beside_best
from runlog.actions.pictures import Picture, companion, full_picture, picture
from runlog.actions.star_pairs import star_pairs
from runlog.core.frame import FaultName
from runlog.core.overlay import laying
from runlog.tui.curves import Curves
from runlog.tui.edges import Edges
from runlog.tui.in_pixels import InPixels
from runlog.tui.paint import HARDNESS
from runlog.tui.picture_view import PictureView
from runlog.tui.session import Session
from runlog.tui.stars import Stars
from runlog.tui.terminal import Form
from runlog.tui.text import safe, styled
from runlog.tui.weighs import Weighs

KEPT_PICTURES = 40  # at about 0.4 MB each
# What a whole frame shrunk to a terminal does not show: such a frame opens on its stars.
SEEN_IN_STARS = frozenset((FaultName.SOFT, FaultName.TRAILED, FaultName.DOUBLED,
                           FaultName.DEFOCUSED))  # fmt: skip
COMPANION_TITLES = {"best": "best: ", "previous": "before: "}


class WithPicture(Weighs):
    """A screen with a picture in it."""

    def __init__(self, session: Session) -> None:
        super().__init__(session)
        self._pictures: OrderedDict[int, Picture] = OrderedDict()
        self.beside = ""  # "best" or "previous" when something is compared
        self.frame_id = 0
        self._opened_on = 0  # the frame whose view was chosen by its faults
        self.flicking = False  # the best frame stands where this one was

    def show_worth(self, words: str) -> None:
        """Show what keeping the frame does, between its reasons and its picture."""
        self.query_one("#worth", Static).update(Text(safe(words), styled(self.session.look.accent)))

    def easel(self) -> ComposeResult:
        """The picture, its companion, and the strips that take their place."""
        with Horizontal(id="easel"):
            yield PictureView(self.session, id="picture")
            yield PictureView(self.session, id="companion")
            yield Stars(self.session, id="stars")
            yield Edges(self.session, id="edges")
            yield Curves(self.session, id="curves")

    def on_mount(self) -> None:
        """Begin with one picture."""
        companion = self.query_one("#companion", PictureView)
        companion.display, companion.like = False, self.view
        self._put_up(self.view)

    @property
    def view(self) -> PictureView:
        """The picture itself."""
        return self.query_one("#picture", PictureView)

    # --- loading ----------------------------------------------------------------------------

    def look_at(self, frame_id: int, ahead: Sequence[int]) -> None:
        """Show a frame, at once when it was loaded ahead, and load the next ones."""
        self.frame_id = frame_id
        known = self._pictures.get(frame_id)
        if known is not None:
            self._show(known)
        self._load(frame_id, tuple(ahead))

    @work(exclusive=True, group="picture")
    async def _load(self, frame_id: int, ahead: tuple[int, ...]) -> None:
        if frame_id not in self._pictures:
            found = await self._fetch(frame_id)
            if frame_id == self.frame_id:
                self._show(found)
        if self.beside:
            await self._show_companion()
        for neighbour in ahead:
            if neighbour not in self._pictures:
                await self._fetch(neighbour)

    async def _fetch(self, frame_id: int) -> Picture | None:
        found = await self.ask(picture, frame_id)
        if found is not None:
            self._pictures[frame_id] = found
            while len(self._pictures) > KEPT_PICTURES:
                self._pictures.popitem(last=False)
        return found

    def _show(self, found: Picture | None) -> None:
        self.flicking = False
        self.view.show(found, words="" if found else "This frame is not stored any more")
        self._open_on_stars(found)
        self.query_one("#companion", PictureView).draw_again()  # its stretch is that of this one
        self.query_one(Edges).show(found)
        self._draw_curves()
        self._draw_stars()

    def _open_on_stars(self, found: Picture | None) -> None:
        """Open a frame on its stars where these show the doubt; what one chose since stays."""
        if found is None or self._opened_on == self.frame_id:
            return
        self._opened_on = self.frame_id
        if self.beside or not (self.view.display or self.query_one(Stars).display):
            return
        names = {fault.name for fault in found.sight.frame.judgement.faults}
        doubt = bool(names & SEEN_IN_STARS) and bool(found.sight.frame.measurement.star_list.x)
        self._put_up(self.query_one(Stars) if doubt else self.view)

    def _seen(self) -> Picture | None:
        return self._pictures.get(self.frame_id)

    async def _show_companion(self) -> None:
        seen = self._seen()
        other = self.query_one("#companion", PictureView)
        if seen is None:
            return
        found = await self.ask(companion, seen.sight, self.beside)
        if found is None:
            other.show(None, COMPANION_TITLES[self.beside], "There is none to compare with")
            return
        known = self._pictures.get(found) or await self._fetch(found)
        other.show(known, COMPANION_TITLES[self.beside])

    # --- keys -------------------------------------------------------------------------------

    def action_zoom(self, step: int) -> None:
        """Look closer or step back; both pictures together."""
        for view in self.query(PictureView):
            view.zoom(step)

    def on_picture_view_turned(self, message: PictureView.Turned) -> None:
        """The wheel does what the keys do."""
        self.action_zoom(message.step)

    def action_pan(self, across: int, down: int) -> None:
        """Move both pictures; at the whole frame left and right turn to other frames."""
        moved = [view.pan(across, down) for view in self.query(PictureView)]
        if not any(moved) and across:
            self.action_step(across)

    def frame_in_view(self) -> int | None:
        """The frame whose picture is shown."""
        return self.frame_id or None

    def action_step(self, step: int) -> None:
        """Turn to another frame."""
        raise NotImplementedError

    def action_over(self) -> None:
        """Draw what was measured over the pictures and stars, or not."""
        stars = self.query_one(Stars)
        stars.overlay = not stars.overlay
        stars.draw_again()
        for view in self.query(PictureView):
            view.overlay = not view.overlay
            view.draw_again()

    def action_contrast(self) -> None:
        """Take the next of three contrasts."""
        for view in self.query(PictureView):
            view.hardness = (view.hardness + 1) % len(HARDNESS)
            view.draw_again()
        self.query_one(Stars).hardness = self.view.hardness
        self.query_one(Stars).draw_again()
        self.say(f"Contrast: {('soft', 'usual', 'hard')[self.view.hardness]}")

    def action_pixels(self) -> None:
        """Draw in the terminal's own pixels, or in blocks."""
        if self.session.terminal.form is Form.BLOCKS:
            self.say("Blocks only: this terminal was asked and shows no pixels")
            return
        for view in self.query(InPixels):
            view.in_pixels = not view.in_pixels
            view.draw_again()
        self.say("Pixels" if self.view.in_pixels else "Blocks")

    def action_edges(self) -> None:
        """Show the strips in place of the picture, or the picture again."""
        edges = self.query_one(Edges)
        self._put_up(self.view if edges.display else edges)

    def action_stars(self) -> None:
        """Show stars above the best frame's same stars in place of the picture, or it again."""
        stars = self.query_one(Stars)
        self._put_up(self.view if stars.display else stars)
        self._draw_stars()

    def _draw_stars(self) -> None:
        """Cut stars out of what is stored at once, out of the files as soon as these are read."""
        stars, seen = self.query_one(Stars), self._seen()
        if not stars.display:
            return
        if seen is None:
            stars.wait("")
            return
        if stars.found is None or stars.found.seen is not seen:
            stars.wait("Cutting out stars of this frame and of the best …")
            self._cut_stars(seen)

    @work(exclusive=True, group="stars")
    async def _cut_stars(self, seen: Picture) -> None:
        for files in (False, True):
            found = await self.ask(partial(star_pairs, files=files), seen)
            if found is None or seen is not self._seen():
                return
            if found.pairs or files:  # without a stored picture there is still the file
                self.query_one(Stars).show(found)

    def action_flick(self) -> None:
        """Put the best frame in this one's very place, star on star; the same key puts it back."""
        self._put_up(self.view)
        if self.flicking:
            self.flicking = False
            self.view.lay_over(None, None)
            self.say("This frame")
        else:
            self._flick()

    @work(exclusive=True, group="flick")
    async def _flick(self) -> None:
        seen = self._seen()
        best_id = None if seen is None else await self.ask(companion, seen.sight, "best")
        if seen is None or best_id is None:
            self.say("No other frame of this target and filter was kept: none to compare with")
            return
        best = self._pictures.get(best_id) or await self._fetch(best_id)
        way = None if best is None else laying(seen.sight.frame, best.sight.frame)
        if best is None or way is None:
            self.say("The best frame could not be laid on this one by its stars")
        elif seen is self._seen():
            self.flicking = True
            self.view.lay_over(best, way)
            self.say("The best frame in the same place; the same key goes back to this one")

    def action_curves(self) -> None:
        """Show a star's profile and curve of growth in place of the picture, or it again."""
        curves = self.query_one(Curves)
        self._put_up(self.view if curves.display else curves)
        self._draw_curves()

    def _put_up(self, chosen: Widget) -> None:
        """Show the picture with its companion, or what takes their place."""
        strips = self.query_one(Stars), self.query_one(Edges), self.query_one(Curves)
        for widget in (self.view, *strips):
            widget.display = widget is chosen
        self.query_one("#companion").display = bool(self.beside) and chosen is self.view

    def _draw_curves(self) -> None:
        """Measure a star where curves are on show: nobody else waits for the files."""
        curves, seen = self.query_one(Curves), self._seen()
        if not curves.display:
            return
        if seen is None or seen.trouble:
            curves.wait(seen.trouble if seen and seen.trouble else "")
            return
        curves.wait("Measuring a star of this frame and of the best …")
        self._measure_star(seen)

    @work(exclusive=True, group="curves")
    async def _measure_star(self, seen: Picture) -> None:
        found = await self.ask(curves_beside_best, seen)
        if found is not None and seen is self._seen():
            self.query_one(Curves).show(*found)

    def action_compare(self, which: str) -> None:
        """Put another frame beside this one; the same key takes it away."""
        self.beside = "" if self.beside == which else which
        if self.beside or self.view.display:
            self._put_up(self.view)
        if self.beside:
            self._compare()

    @work(exclusive=True, group="companion")
    async def _compare(self) -> None:
        await self._show_companion()

    def action_full(self) -> None:
        """Read the file for its own pixels."""
        if self.view.full is not None:
            self.view.full = None
            self.view.draw_again()
            return
        self.say("Reading the file …")
        self._read_full(self.frame_id)

    @work(exclusive=True, group="full")
    async def _read_full(self, frame_id: int) -> None:
        full = await self.ask(full_picture, frame_id)
        if full is None or frame_id != self.frame_id:
            return
        self.say(safe(full.trouble or "Full resolution: + looks closer, 0 shows the whole"))
        closer = 0 if full.trouble else self.view.to_pixels() - self.view.zoom_at
        if closer > 0:
            self.action_zoom(closer)
        self.view.show_full(full)

    def restyle(self) -> None:
        """Draw pictures again in other colours."""
        super().restyle()
        for view in self.query(PictureView):
            view.draw_again()
