"""`runlog scan --watch` as a person runs it, and what a capture program does meanwhile."""

import json
import os
import signal
import time
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Self

import psutil

from tests.killing import kin, start
from tests.tools import argv

PATIENCE_S = 90.0


class Watching:
    """The command at work over home/frames; `module` runs it where that is not runlog itself.

    It is at work when it has said some words; where these are others there need be no folder.
    """

    def __init__(
        self,
        home: Path,
        *words: str,
        after: str = "",
        module: str = "runlog",
        until: str = "Watching",
    ) -> None:
        if until == "Watching":
            (home / "frames").mkdir(exist_ok=True)
        self.home, self.out, self.err = home, home / "out", home / "err"
        python, m, _, *line = argv("scan", "frames", "--watch", "--every", "0.2", *words)
        script = [python, m, module, *line]
        self.process, self.mark = start(home, ["sh", "-c", 'exec "$@" >>out 2>>err', "sh", *script])
        try:
            self.until(lambda: until in self.said()[len(after) :])
        except AssertionError:
            self.__exit__()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        if self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()
        for stream in (self.process.stdout, self.process.stderr):
            if stream:
                stream.close()

    def said(self) -> str:
        """Give what it said to people until now."""
        return self.err.read_text() if self.err.exists() else ""

    def lines(self) -> list[str]:
        """Give the whole lines it wrote until now."""
        text = self.out.read_text() if self.out.exists() else ""
        return text[: text.rfind("\n") + 1].splitlines()

    def events(self) -> list[dict[str, Any]]:
        """Read what it wrote as JSON."""
        return [json.loads(line) for line in self.lines()]

    def until(self, done: Callable[[], bool]) -> None:
        """Wait for something it does."""
        end = time.monotonic() + PATIENCE_S
        while not done():
            assert time.monotonic() < end and self.process.poll() is None, self.said()
            time.sleep(0.05)

    def look_on(self) -> None:
        """Let it look a few times more: at each look it waits twice, for an answer and the next."""
        process = psutil.Process(self.process.pid)
        since = process.num_ctx_switches().voluntary
        self.until(lambda: process.num_ctx_switches().voluntary > since + 8)

    def reads(self, path: Path) -> bool:
        """Tell whether one of its processes has a file open at this moment."""
        return any(str(path) in _open_files(pid) for pid in kin(self.mark))

    def end(self, how: int = signal.SIGINT) -> int:
        """Ask it to end; gives its exit code."""
        self.process.send_signal(how)
        return self.process.wait(PATIENCE_S)


def _open_files(pid: int) -> list[str]:
    try:
        return [file.path for file in psutil.Process(pid).open_files()]
    except psutil.Error:
        return []


def where_it_is_midnight() -> dict[str, Any]:
    """Give the cards of a place where it is midnight now, on the equator, where that is dark.

    At any hour tests then run in one night. Where the telescope points is left out: it would be
    another place's, and may make a frame wait for the meridian.
    """
    now = datetime.now(UTC)
    east_deg = -15 * (now.hour + now.minute / 60)
    elsewhere = "OBJCTRA OBJCTDEC RA DEC OBJCTALT OBJCTAZ AIRMASS PIERSIDE".split()
    place = {"SITELAT": 0.0, "SITELONG": (east_deg + 180) % 360 - 180}
    return place | dict.fromkeys(elsewhere)


def put(home: Path, sources: Sequence[Path]) -> None:
    """Write files as a capture program does: in pieces."""
    for source in sources:
        data = source.read_bytes()
        with (home / "frames" / source.name).open("wb") as file:
            for part in (data[: len(data) // 3], data[len(data) // 3 :]):
                file.write(part)
                file.flush()


def graded(watching: Watching) -> list[dict[str, Any]]:
    """Give the frames it told."""
    return [event for event in watching.events() if event["kind"] == "frame"]
