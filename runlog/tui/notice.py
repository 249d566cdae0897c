"""The line above the keys: what just happened, and how a scan is doing."""

from typing import TYPE_CHECKING, cast

from rich.text import Text
from textual.reactive import reactive
from textual.widget import Widget

from runlog.tui.text import fitted, safe, styled

if TYPE_CHECKING:
    from runlog.tui.app import ReviewApp


class Notice(Widget):
    """Left the last message or what is wrong, right the scan."""

    said: reactive[str] = reactive("")
    trouble: reactive[str] = reactive("")
    scan: reactive[str] = reactive("")

    def render(self) -> Text:
        """Trouble outranks talk; the scan gets its room on the right."""
        look = cast("ReviewApp", self.app).look
        right = f" {safe(self.scan)} " if self.scan else ""
        room = max(self.size.width - len(right), 0)
        words = safe(self.trouble or self.said)
        color = look.reject if self.trouble else look.text
        text = Text(no_wrap=True)
        text.append(fitted(f" {words}", room), styled(color, bold=bool(self.trouble)))
        text.append(right, styled(look.accent))
        return text
