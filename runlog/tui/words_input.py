"""A line to type in that shows a name's controls and hands none of them to the terminal."""

from rich.segment import Segment
from textual.strip import Strip
from textual.widgets import Input

from runlog.tui.text import safe


class WordsInput(Input):
    """An input whose value may be a name from a header, or what was pasted."""

    def render_line(self, y: int) -> Strip:
        """Draw the line; the value itself stays as it is."""
        strip = super().render_line(y)
        if strip.text.isprintable():
            return strip
        segments = [Segment(safe(text), style) for text, style, _ in strip]
        return Strip(segments).adjust_cell_length(self.size.width)
