"""The interface in a terminal of its own, marking by keys while a scan runs beside it."""

import fcntl
import os
import pty
import re
import struct
import subprocess
import termios
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from tests.interruptions.dump import books, rows_of
from tests.interruptions.world import RUNLOG, Started, World, surroundings
from tests.killing import start

PATIENCE_S = 60.0
EVERY_S = 0.15  # between two keys
WANTED = "Farther field"  # the same frames, whatever is scanned meanwhile
FOUND = r"(?<![\d,])2 frames"  # not the 12 there are of all
HOME = "\x1b[H"  # as a terminal sends that key
SHOWN = "find"  # among the keys of the list of frames
GRADES = {"y": "keep", "r": "reject"}
# The newest of the frames wanted, which the list of all nights has first.
MEANT = ("SELECT id FROM frame WHERE target = 'Farther field' "
         "ORDER BY taken_at_utc DESC LIMIT 1")  # fmt: skip
GradedLight = list[tuple[int, str]]  # frames and their grades, in the order of marking


class Interface:
    """`runlog review` at a terminal; keys are sent as a terminal sends them."""

    def __init__(self, world: World, home: Path) -> None:
        """Open it on a home's database, at the list of frames."""
        self.database = world.database(home)
        self.before = len(books(self.database)["mark"])
        ((self.frame,),) = rows_of(self.database, MEANT)
        self.pressed: GradedLight = []
        self._seen, self._sent_at = bytearray(), 0
        self._terminal, there = pty.openpty()
        fcntl.ioctl(there, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 160, 0, 0))
        env = surroundings(home, self.database) | {"TERM": "xterm-256color"}
        self.started: Started = start(home, [*RUNLOG, "review"], env, terminal=there)
        os.close(there)
        threading.Thread(target=self._read, daemon=True).start()
        self._until("night")
        self._send("2")
        self._until(SHOWN)
        for keys in ("A", "/", *WANTED):
            self._send(keys)
            time.sleep(EVERY_S / 4)
        self._until(FOUND, after=self._sent_at)
        self._send("\r")

    @property
    def process(self) -> "subprocess.Popen[str]":
        """The process itself."""
        return self.started[0]

    @property
    def screen_given_back(self) -> bool:
        """Tell whether the other screen was left (private mode 1049 of terminals, from memory)."""
        return b"\x1b[?1049l" in self._seen

    def mark_for(self, seconds: float) -> None:
        """Mark the frame that is chosen again and again, keep and reject in turn."""
        until = time.monotonic() + seconds
        while time.monotonic() < until and self.process.poll() is None:
            self.press("yr"[len(self.pressed) % 2])
            time.sleep(EVERY_S)

    def press(self, key: str) -> None:
        """Mark by one key."""
        self.pressed.append((self.frame, GRADES[key]))
        self._send(HOME + key)

    def leave(self) -> str:
        """Reject at last, wait until all is stored, and leave; says what went wrong."""
        self.press("r")
        until = time.monotonic() + PATIENCE_S
        while time.monotonic() < until and self.marked() != self.pressed:
            time.sleep(0.1)
        self._send("q")
        try:
            code = self.process.wait(PATIENCE_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            return "the interface does not end"
        finally:
            os.close(self._terminal)
        if self.marked() != self.pressed:
            return f"keys said {self.pressed}, and the book {self.marked()}"
        return f"the interface ends with {code}" if code else ""

    def wrong_after(self, heard: bool) -> Iterator[str]:
        """Say what is wrong once it was struck: marks that no key said, a terminal in a mess."""
        if (marked := self.marked()) != self.pressed[: len(marked)]:
            yield f"keys said {self.pressed}, and the book {marked}"
        if heard and not self.screen_given_back:
            yield "the terminal is left as the interface had it"
        os.close(self._terminal)

    def marked(self) -> GradedLight:
        """Give the frames and grades that were added to the book of marks."""
        rows = books(self.database)["mark"][self.before :]
        return [(row["frame_id"], row["grade"]) for row in rows]

    def _send(self, keys: str) -> None:
        self._sent_at = len(self._seen)
        try:
            os.write(self._terminal, keys.encode())
        except OSError:
            return  # it was killed

    def _read(self) -> None:
        try:
            while part := os.read(self._terminal, 65536):
                self._seen += part
        except OSError:
            return  # the other end is closed

    def _until(self, words: str, after: int = 0) -> None:
        until = time.monotonic() + PATIENCE_S
        while not re.search(words.encode(), self._seen[after:]):
            assert time.monotonic() < until, bytes(self._seen[-2000:])
            time.sleep(0.05)
