"""A line to type in that shows a name's controls and hands none of them to the terminal."""

from collections.abc import Sequence

from rich.segment import Segment
from textual.strip import Strip
from textual.suggester import Suggester
from textual.widgets import Input

from runlog.tui.text import safe

LEAST_LETTERS = 2  # one letter may become anything


class WordsInput(Input):
    """An input whose value may be a name from a header, or what was pasted."""

    def render_line(self, y: int) -> Strip:
        """Draw the line; the value itself stays as it is."""
        strip = super().render_line(y)
        if strip.text.isprintable():
            return strip
        segments = [Segment(safe(text), style) for text, style, _ in strip]
        return Strip(segments).adjust_cell_length(self.size.width)


class WordsKnown(Suggester):
    """Offers the rest of the word being typed, from the words that mean something."""

    def __init__(self) -> None:
        super().__init__(use_cache=False, case_sensitive=True)
        self.words: Sequence[str] = ()

    async def get_suggestion(self, value: str) -> str | None:
        """Give the line with its last word completed; None where nothing fits."""
        quotes = value.count('"')
        start = value.rfind('"') if quotes % 2 else value.rfind(" ") + 1
        begun = value[start:].lower()
        if len(begun) < LEAST_LETTERS:
            return None
        fits = (w for w in self.words if w.lower().startswith(begun) and len(w) > len(begun))
        found = next(fits, None)
        return None if found is None else value + found[len(begun) :]
