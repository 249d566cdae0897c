"""The watch in a process of its own while one reviews, and its warnings on the night's screen."""

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

from rich.text import Text

from runlog.core.times import Zone
from runlog.tui.beside import Beside
from runlog.tui.look import Look
from runlog.tui.text import count, safe, styled

MOST_SHOWN = 4  # lines of warnings; more are counted


class LiveWatch(Beside):
    """Runs the watch, and says what it told last."""

    MODULE = "runlog.tui.watch_child"

    def __init__(self, database: str, config: Path | None, tell: Callable[[str], object]) -> None:
        super().__init__(database, config)
        self._tell, self._frames = tell, 0

    @property
    def running(self) -> bool:
        """Whether it watches."""
        return self._process is not None

    async def run(self) -> str:
        """Watch until it is stopped; gives why it ended by itself, else nothing."""
        self._frames, why, ended = 0, "", False
        try:
            async for told in self.reports():
                why, ended = told.get("error", ""), ended or told.get("kind") == "end"
                self._tell(self._words(told))
        finally:
            self._process = None
            self._tell("")
        if why or ended:
            return why
        return f"The watch broke off (exit code {self.code}); L begins it anew"

    def _words(self, told: dict[str, Any]) -> str:
        self._frames += told.get("kind") == "frame"
        return f"watching, {count(self._frames, 'new frame')}" if "error" not in told else ""


class Warned(Protocol):
    """A warning as it is stored."""

    @property
    def at_utc(self) -> datetime:
        """When it was told."""

    @property
    def words(self) -> str:
        """What it says."""


def warning_lines(warned: Sequence[Warned], look: Look, zone: Zone) -> Text:
    """Write the warnings that hold, the newest last, each with when it was told."""
    text = Text()
    shown = warned[-MOST_SHOWN:]
    if len(warned) > len(shown):
        text.append(f"{len(warned) - len(shown)} earlier warnings hold\n", styled(look.quiet))
    for one in shown:
        text.append(f"! {zone.clock(one.at_utc)} ", styled(look.reject, bold=True))
        text.append(f"{safe(one.words)}\n", styled(look.doubtful, bold=True))
    text.rstrip()
    return text
