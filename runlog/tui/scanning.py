"""A scan in a process of its own, watched while one reviews."""

import asyncio
import json
import sys
import time
from collections.abc import AsyncIterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from runlog.tui.text import count

if TYPE_CHECKING:
    from runlog.tui.app import ReviewApp


@dataclass(frozen=True, slots=True)
class ScanWords:
    """How a scan is doing, in words; `ended` is set by the last one."""

    words: str = ""
    ended: str = ""
    found: bool = True  # False when the end is not worth a word in live mode


class ScanProcess:
    """One run of `scan_child`; never forked under our threads, never left behind."""

    def __init__(self, database: str, config: Path | None) -> None:
        self._arguments = [database, *([str(config)] if config else [])]
        self._process: asyncio.subprocess.Process | None = None
        self._began = time.monotonic()

    async def run(self) -> AsyncIterator[ScanWords]:
        """Start it and follow it to its end."""
        self._process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", "runlog.tui.scan_child", *self._arguments,
            stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
        )  # fmt: skip
        assert self._process.stdout is not None
        ended = False
        async for line in self._process.stdout:
            words = self._words(json.loads(line))
            ended = ended or bool(words.ended)
            yield words
        code = await self._process.wait()
        if not ended:
            yield ScanWords(ended=f"The scan broke off (exit code {code}); try: runlog scan")

    def stop(self) -> None:
        """Ask it to stop after the frames in hand."""
        if self._process is not None and self._process.stdin is not None:
            self._process.stdin.close()

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
    """Starts scans, one at a time, and says how they do; live mode starts them again and again."""

    def __init__(self, app: "ReviewApp") -> None:
        self._app = app
        self._process: ScanProcess | None = None
        self.live = False

    def toggle(self) -> None:
        """Start looking for new frames; a second time stops it."""
        if self._process is not None:
            self._process.stop()
            self._app.say("Stopping the scan after the frames in hand")
        else:
            self._start()

    def toggle_live(self) -> None:
        """Keep looking for new frames, or no longer."""
        self.live = not self.live
        words = "Live: new frames appear as they are taken" if self.live else "No longer live"
        self._app.say(words)
        self._tell("")
        self.tick()

    def tick(self) -> None:
        """Look again in live mode, unless a scan is at it."""
        if self.live and self._process is None:
            self._start()

    def stop(self) -> None:
        """End a scan when the interface ends."""
        if self._process is not None:
            self._process.stop()

    def _start(self) -> None:
        self._process = ScanProcess(self._app.database, self._app.config)
        self._app.run_worker(self._follow(self._process), group="scan")

    async def _follow(self, process: ScanProcess) -> None:
        ended = ""
        self._tell("looking …")
        try:
            async for progress in process.run():
                if progress.found or not self.live:
                    ended = progress.ended or ended
                self._tell(progress.words)
        finally:
            self._process = None
            self._tell("")
        if ended:
            self._app.say(ended)
        await self._app.poll()

    def _tell(self, words: str) -> None:
        parts = ["live"] * self.live + [words] * bool(words)
        self._app.set_scan_words(" · ".join(parts))
