"""A scan in a process of its own, watched while one reviews."""

import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from runlog.tui.beside import Beside
from runlog.tui.text import count


@dataclass(frozen=True, slots=True)
class ScanWords:
    """How a scan is doing, in words; `ended` is set by the last one."""

    words: str = ""
    ended: str = ""
    found: bool = True  # False when the end is not worth a word in live mode


class ScanProcess(Beside):
    """One run of `scan_child`."""

    MODULE = "runlog.tui.scan_child"

    async def run(self) -> AsyncIterator[ScanWords]:
        """Start it and follow it to its end."""
        self._began, ended = time.monotonic(), False
        async for told in self.reports():
            words = self._words(told)
            ended = ended or bool(words.ended)
            yield words
        if not ended:
            yield ScanWords(ended=f"The scan broke off (exit code {self.code}); try: runlog scan")

    def _words(self, told: dict[str, Any]) -> ScanWords:
        if "error" in told:
            return ScanWords(ended=f"Scan: {told['error']}")
        if "new" in told:
            stopped = "Scan stopped" if told["interrupted"] else "Scanned"
            failed = f", {told['failed']} unreadable" if told["failed"] else ""
            found = bool(told["new"] or told["failed"])
            return ScanWords("", f"{stopped}: {count(told['new'], 'new frame')}{failed}", found)
        total = f" of {told['total']}" if told["total"] else ""
        return ScanWords(f"{told['stage']} {told['done']}{total}{self._rate(told)}")

    def _rate(self, told: dict[str, Any]) -> str:
        seconds = time.monotonic() - self._began
        if told["stage"] != "reading" or seconds < 1 or not told["done"]:
            return ""
        return f", {told['done'] / seconds:.1f}/s"


class Scans:
    """Runs scans, one at a time, and tells how they do."""

    def __init__(self, database: str, config: Path | None, tell: Callable[[str], object]) -> None:
        self._database, self._config, self._tell = database, config, tell
        self._process: ScanProcess | None = None

    @property
    def running(self) -> bool:
        """Whether a scan is at it."""
        return self._process is not None

    def stop(self) -> None:
        """End a scan after the frames in hand."""
        if self._process is not None:
            self._process.stop()

    async def run(self) -> ScanWords:
        """Look for new frames until all are read; returns how it ended."""
        process = self._process = ScanProcess(self._database, self._config)
        last = ScanWords()
        self._tell("looking …")
        try:
            async for last in process.run():
                self._tell(last.words)
        finally:
            self._process = None
            self._tell("")
        return last
