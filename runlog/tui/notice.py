"""The line above the keys: what just happened, and how a scan is doing."""

from rich.cells import cell_len
from rich.text import Text
from textual.reactive import reactive
from textual.widget import Widget

from runlog.tui.session import Session
from runlog.tui.text import fitted, safe, styled


class Notice(Widget):
    """Left the last message or what is wrong, right the scan."""

    said: reactive[str] = reactive("")
    trouble: reactive[str] = reactive("", layout=True)  # takes as many lines as it needs
    scan: reactive[str] = reactive("")

    def __init__(self, session: Session) -> None:
        super().__init__()
        self.session = session

    def catch_up(self) -> None:
        """Show what is said now."""
        now = self.session
        self.said, self.trouble, self.scan = now.said, now.trouble, now.scan_words
        self.set_class(self._is_long(), "-long")

    def _is_long(self) -> bool:
        """Tell whether one line is too little: what is said last, as what to do, must be read."""
        return cell_len(f" {safe(self.said)}  {safe(self.scan)} ") > max(self.size.width, 1)

    def watch_trouble(self) -> None:
        """Make room for trouble even where there is none for talk."""
        self.set_class(bool(self.trouble), "-trouble")

    def render(self) -> Text:
        """Trouble outranks talk; the scan gets its room on the right."""
        look = self.session.look
        if self.trouble:
            return Text(f" {safe(self.trouble)}", style=styled(look.reject, bold=True))
        right = f" {safe(self.scan)} " if self.scan else ""
        if self._is_long():
            scan = (right, styled(look.accent))
            return Text.assemble((f" {safe(self.said)} ", styled(look.text)), scan)
        room = max(self.size.width - len(right), 0)
        text = Text(no_wrap=True)
        text.append(fitted(f" {safe(self.said)}", room), styled(look.text))
        text.append(right, styled(look.accent))
        return text
