"""How quick the review is with 200,000 frames: python -m tests.bench.tui [--frames N].

Measured are: inside the program start to first paint, one key's handler, each further place until
it is told, with the longest time the keys stood still meanwhile; in a real terminal through tmux a
key sent until its effect is seen, a decision until the sums show it; and memory after pictures.
"""

import argparse
import asyncio
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from inspect import isawaitable
from pathlib import Path
from statistics import median
from typing import Any
from unittest.mock import patch

from sqlalchemy import Engine

from runlog.config import Settings
from tests.tui.nights import Wish, build, with_sweep

COLUMNS, LINES = 160, 48
SITE = Settings(latitude_deg=50.1, longitude_deg=14.4)
PRESSES, MARKED = 15, 20


def big_database(path: Path, frames: int) -> None:
    """Synthesise the frames over a hundred nights."""
    nights = 100
    began = time.perf_counter()
    wish = Wish(nights=nights, frames=frames // nights, exposure_s=15.0, pictures=False,
                files=True)  # fmt: skip
    engine = build(path, wish)
    for night in range(nights):
        with_sweep(engine, night, 11_400.0 - 3 * (night % 20))
    engine.dispose()
    print(f"{frames} frames in {time.perf_counter() - began:.0f} s, "
          f"{path.stat().st_size / 1e6:.0f} MB")  # fmt: skip


def lights_in(path: Path) -> int:
    """Count the light frames: a database that was brought along holds others as well."""
    from runlog.actions.open import open_read
    from runlog.actions.review import run_lines

    engine = open_read(str(path))
    count = sum(run.frames for run in run_lines(engine))
    engine.dispose()
    return count


# --- inside ---------------------------------------------------------------------------------


async def inside(path: Path) -> dict[str, float]:
    """Time the start and the handlers of keys with the app driven from within."""
    from runlog.actions.review import open_for_review
    from runlog.tui.app import ReviewApp
    from runlog.tui.session import Session

    began = time.perf_counter()
    engine: Engine = open_for_review(str(path), make=True)
    session = Session(engine, SITE, who="bench", database=str(path),
                      state_file=path.with_suffix(".json"))  # fmt: skip
    app = ReviewApp(session)
    found: dict[str, float] = {}
    async with app.run_test(size=(COLUMNS, LINES)) as pilot:
        found["opened, first paint"] = time.perf_counter() - began
        await idle(pilot.app)
        found["night told"] = time.perf_counter() - began
        await _frames(pilot, found)
        await _places(pilot, found, path.parent)
    return found


class Still:
    """The longest time that nothing else was done: a key pressed then would have waited so long.

    And the most processor time that we took meanwhile: on a busy machine the first says little.
    """

    def __init__(self) -> None:
        self.longest_s = self.busiest_s = 0.0

    async def watch(self) -> None:
        """Look at the clock again and again."""
        before, own = time.perf_counter(), time.thread_time()
        while True:
            await asyncio.sleep(0.001)
            now, used = time.perf_counter(), time.thread_time()
            self.longest_s, before = max(self.longest_s, now - before), now
            self.busiest_s, own = max(self.busiest_s, used - own), used


async def _told(pilot: Any, found: dict[str, float], name: str, *keys: str) -> None:
    """Press keys; how long until all is told, and how long the keys stood still meanwhile."""
    still = Still()
    watching = asyncio.create_task(still.watch())
    began = time.perf_counter()
    for key in keys:
        await pilot.press(key)
    await pilot.pause()
    await idle(pilot.app)
    found[name] = time.perf_counter() - began
    watching.cancel()
    found[f"  {name}: keys stood still"] = still.longest_s
    found[f"  {name}: for our own work"] = still.busiest_s


async def _places(pilot: Any, found: dict[str, float], folder: Path) -> None:
    """Go through the places that tell of all nights, then export one row of the totals."""
    await pilot.press("escape", "1")
    await idle(pilot.app)
    await _told(pilot, found, "calendar", "c")
    await _told(pilot, found, "calendar: a month back", "pageup")
    await _told(pilot, found, "calendar: a night opened", "enter")
    await _told(pilot, found, "doubtful: the first, weighed", "3")
    await _told(pilot, found, "doubtful: the next", "space")
    await _told(pilot, found, "totals", "4")
    await _told(pilot, found, "losses of the season", "l")
    await pilot.press("escape")
    await _told(pilot, found, "tonight", "5")
    await _told(pilot, found, "tonight: the nights ahead of a target", "enter")
    await _told(pilot, found, "rig: sweeps", "6")
    await _told(pilot, found, "rig: another sweep", "down")
    for part in ("polar axis", "months", "changes"):
        await _told(pilot, found, f"rig: {part}", "right")
    await pilot.press("4")
    await _told(pilot, found, "export: counted", "e")
    frames = str(pilot.app.screen.query_one("#amount").content).split(", ")[0]
    pilot.app.screen.query_one("Input").value = str(folder / "bench.txt")
    await _told(pilot, found, f"export: list written, {frames}", "enter")


async def idle(app: Any) -> None:
    """Wait until no worker is at work; a cancelled one counts as done."""
    while any(not worker.is_finished for worker in app.workers):
        await asyncio.sleep(0.002)


async def _frames(pilot: Any, found: dict[str, float]) -> None:
    app = pilot.app
    await pilot.press("2")
    await idle(app)
    began = time.perf_counter()
    await pilot.press("A")
    screen = app.screen
    while len(screen.table.ids) < 200 or screen.table.line is None:
        await asyncio.sleep(0.001)
    found["all nights: first rows"] = time.perf_counter() - began
    await idle(app)
    found[f"all nights: all {len(screen.table.ids)} listed"] = time.perf_counter() - began
    for name, action in _handlers(screen).items():
        times = []
        for _ in range(PRESSES):
            start = time.perf_counter()
            acted = action()
            if isawaitable(acted):
                await acted
            times.append(time.perf_counter() - start)
            await idle(app)
            await pilot.pause()
        found[f"handler: {name}"] = max(times)
    await _typed(pilot, found)


def _handlers(screen: Any) -> dict[str, Callable[[], object]]:
    return {
        "down": lambda: screen.action_move(1),
        "page down": lambda: screen.action_move_page(1),
        "end": lambda: screen.action_jump(1),
        "home": lambda: screen.action_jump(0),
        "turn the order": screen.action_turn,
        "keep": lambda: screen.action_grade("keep"),
        "pick all": screen.action_pick_all,
        "drop": screen.action_drop,
    }


async def _typed(pilot: Any, found: dict[str, float]) -> None:
    """Type a sieve; the letters' handlers, then the list they ask for."""
    await pilot.press("slash")
    keys = ["space" if letter == " " else letter for letter in "wider than 3"]
    await _told(pilot, found, "12 letters typed and found", *keys)


# --- in a real terminal ---------------------------------------------------------------------


class Terminal:
    """The review in tmux."""

    def __init__(self, path: Path) -> None:
        self.name = f"runlog-bench-{os.getpid()}"
        state = path.parent / "state"
        command = (
            f"XDG_STATE_HOME={state} COLORTERM=truecolor {sys.executable} -m runlog --db {path}"
        )
        self.began = time.perf_counter()
        self._tmux("new-session", "-d", "-s", self.name, "-x", str(COLUMNS), "-y", str(LINES),
                   command)  # fmt: skip

    def _tmux(self, *arguments: str) -> str:
        done = subprocess.run(["tmux", *arguments], capture_output=True, text=True, check=True)
        return done.stdout

    def screen(self) -> str:
        """What is seen, colours included: a cursor that moves is only a colour."""
        return self._tmux("capture-pane", "-t", self.name, "-p", "-e")

    def send(self, *keys: str) -> None:
        """Press keys."""
        self._tmux("send-keys", "-t", self.name, *keys)

    def until(self, seen: Callable[[str], bool], within_s: float = 30.0) -> float:
        """Wait until something is seen; the seconds it took."""
        began = time.perf_counter()
        while time.perf_counter() - began < within_s:
            if seen(self.screen()):
                return time.perf_counter() - began
            time.sleep(0.002)
        raise TimeoutError(self.screen())

    def memory_mb(self) -> float:
        """Resident memory of the review."""
        pid = self._tmux("list-panes", "-t", self.name, "-F", "#{pane_pid}").strip()
        pids = [pid, *subprocess.run(["pgrep", "-P", pid], capture_output=True, text=True,
                                     check=False).stdout.split()]  # fmt: skip
        sizes = [Path(f"/proc/{p}/status").read_text().split("VmRSS:")[1].split()[0] for p in pids]
        return max(int(size) for size in sizes) / 1024

    def close(self) -> None:
        """End it."""
        self._tmux("kill-session", "-t", self.name)


def in_terminal(path: Path, frames: int) -> dict[str, float]:
    """Time keys until their effect is on the screen."""
    found: dict[str, float] = {}
    terminal = Terminal(path)
    try:
        terminal.until(lambda seen: "kept" in seen)
        found["tmux: started, first paint"] = time.perf_counter() - terminal.began
        terminal.until(lambda seen: "FWHM" in seen)
        terminal.send("2")
        terminal.until(lambda seen: "nothing against it" in seen)
        terminal.send("A")
        found["tmux: all nights listed"] = terminal.until(lambda seen: f"{frames:,} frames" in seen)
        time.sleep(2)
        found["tmux: page down"] = _pressed(terminal, "NPage")
        found["tmux: page up"] = _pressed(terminal, "PPage")
        terminal.send("1")
        time.sleep(1)
        found["tmux: night before"] = _pressed(terminal, "Left")
        found |= _places_in_terminal(terminal)
    finally:
        terminal.close()
    return found


def _places_in_terminal(terminal: Terminal) -> dict[str, float]:
    """Open the other places, and see a decision that is taken back change the sums."""
    found = {}
    for name, key, seen in (
        ("totals", "4", "set goal"), ("tonight", "5", "The site is not known|Running order"),
        ("rig", "6", "best position"),
    ):  # fmt: skip
        terminal.send(key)
        found[f"tmux: {name}"] = terminal.until(lambda shown, s=seen: bool(re.search(s, shown)))  # type: ignore[misc]
        time.sleep(3)
    terminal.send("2")
    terminal.until(lambda shown: "nothing against it" in shown)
    terminal.send("Home", *["Space"] * MARKED, "r")  # a frame is too short to change any sum
    terminal.until(lambda shown: "u undoes" in shown)
    terminal.send("4")  # on without a rest, so that it is not yet settled
    terminal.until(lambda shown: "set goal" in shown and "all" in _sums(shown))
    before = _sums(terminal.screen())
    began = time.perf_counter()
    terminal.send("u")
    terminal.until(lambda shown: _sums(shown) != before)
    found["tmux: a decision seen in the sums"] = time.perf_counter() - began
    return found


def _sums(screen: str) -> str:
    """The rows of the totals, without the lines above and below."""
    return "\n".join(screen.split("\n")[2:20])


def _pressed(terminal: Terminal, key: str) -> float:
    times = []
    for _ in range(PRESSES):
        before = terminal.screen()
        began = time.perf_counter()
        terminal.send(key)
        terminal.until(lambda seen, before=before: seen != before)  # type: ignore[misc]
        times.append(time.perf_counter() - began)
        time.sleep(0.3)
    return median(times)


def with_pictures(folder: Path) -> dict[str, float]:
    """Look at 60 pictures, closer and with the best beside them; then weigh the program."""
    path = folder / "pictures.sqlite"
    build(path, Wish(nights=3))
    found: dict[str, float] = {}
    terminal = Terminal(path)
    try:
        terminal.until(lambda seen: "FWHM" in seen)
        terminal.send("3")
        found["tmux: first picture"] = terminal.until(lambda seen: seen.count("▀") > 300)
        for keys in (["Space"] * 11, ["b"], ["+", "+", "o"], ["A"], ["Space"] * 36):
            for key in keys:
                terminal.send(key)
                time.sleep(0.08)
        time.sleep(1)
        found["memory with pictures, MB"] = terminal.memory_mb()
    finally:
        terminal.close()
    return found


def main() -> int:
    """Measure and print; JSON with --json."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--frames", type=int, default=200_000)
    parser.add_argument("--database", type=Path, help="a big database to keep and use again")
    parser.add_argument("--json", action="store_true")
    options = parser.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="runlog-tui-"))
    try:
        path = options.database or folder / "big.sqlite"
        if not path.exists():
            big_database(path, options.frames)
        # Synthesised frames have no places on the sky: settling would look for them for minutes.
        with patch("runlog.tui.session.settle_now", lambda *_: 0):
            found = asyncio.run(inside(path))
        if shutil.which("tmux"):
            found |= in_terminal(path, lights_in(path)) | with_pictures(folder)
    finally:
        shutil.rmtree(folder)
        for side in (".json", ".state.json") if options.database else ():
            options.database.with_suffix(side).unlink(missing_ok=True)
    if options.json:
        print(json.dumps(found, indent=1))
    else:
        print("load of the machine:", *(f"{load:.1f}" for load in os.getloadavg()))
        for name, value in found.items():
            print(f"{name:<40}{value:>9.3f}" + ("" if "MB" in name else " s"))
    return 0


if __name__ == "__main__":
    sys.exit(main())
