"""Kill a watch at random moments and begin it again: python -m tests.bench.watch_kills.

A night with trails in it comes frame by frame. At each drawn moment the group of processes
is killed and the watch begun anew. At the end: every frame told once and stored as a plain scan
stores it, no warning told twice by the log or to the hook, the database whole, no process left.
"""

import argparse
import json
import os
import random
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from samples.maker.quick import make_run
from tests.killing import integrity, orphans, start
from tests.tools import argv, content, scan_into

FRAMES, STEP_S = 60, 317
TRAILED = (*range(15, 23), *range(40, 48))
HOOK = """#!/bin/sh
cat >> heard
"""


class Struck:
    """The watch in a home, begun again after each kill."""

    def __init__(self, home: Path) -> None:
        self.home, self.marks = home, [""]
        hook = home / "hook"
        hook.write_text(HOOK)
        hook.chmod(0o755)
        (home / "frames").mkdir()
        self.begin()

    def begin(self) -> None:
        """Begin a watch."""
        line = argv("scan", "frames", "--watch", "--every", "0.3", "--json", "--hook",
                    str(self.home / "hook"))  # fmt: skip
        words = ["sh", "-c", 'exec "$@" >>out 2>>err', "sh", *line]
        self.process, mark = start(self.home, words)
        self.marks.append(mark)

    def strike(self) -> None:
        """Kill it, with all that it started but a hook at work."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.close()

    def close(self) -> None:
        """Wait for its end."""
        self.process.wait()
        for stream in (self.process.stdout, self.process.stderr):
            if stream:
                stream.close()

    def told(self) -> list[dict[str, object]]:
        """Read the whole lines that it told over all its lives; a kill may cut one short."""
        text = (self.home / "out").read_text() if (self.home / "out").exists() else ""
        return [json.loads(line) for line in text.splitlines() if line.endswith("}")]


def _drawn(folder: Path) -> list[Path]:
    begun = datetime.now(UTC) - timedelta(seconds=FRAMES * STEP_S + 60)
    spoilt = {i: {"fault": "trailed"} for i in TRAILED}
    make_run(folder, FRAMES, size=(200, 260), start_utc=begun, overrides=spoilt)
    return sorted(folder.iterdir())


def _put(sources: Sequence[Path], folder: Path, draw: random.Random) -> None:
    for source in sources:
        data = source.read_bytes()
        cut = draw.randrange(len(data))
        with (folder / source.name).open("wb") as file:
            file.write(data[:cut])
            file.flush()
            time.sleep(0.05)
            file.write(data[cut:])


def _faults(home: Path, struck: Struck) -> list[str]:
    """Say what did not hold."""
    told = struck.told()
    frames = Counter(str(e["path"]) for e in told if e["kind"] == "frame")
    warned = Counter(
        (e["kind"], e["cause"], e["since_utc"]) for e in told if e["kind"] in ("alarm", "overdue")
    )
    heard = Counter(
        (e["kind"], e["cause"], e["since_utc"])
        for line in (home / "heard").read_text().splitlines()
        if (e := json.loads(line))["kind"] in ("alarm", "overdue")
    )
    wrong = [f"{path} told {n} times" for path, n in frames.items() if n > 1]
    wrong += [f"warned of {what} {n} times" for what, n in warned.items() if n > 1]
    wrong += [f"the hook heard {what} {n} times" for what, n in heard.items() if n > 1]
    if integrity(home / "night.sqlite") != "ok":
        wrong.append("the database is damaged")
    scan_into(home / "plain.sqlite", home / "frames")
    if content(home / "plain.sqlite") != content(home / "night.sqlite"):
        wrong.append("the database says something else than a plain scan")
    lost = FRAMES - len(frames)
    print(f"{len(frames)} of {FRAMES} frames told; warnings told {sum(warned.values())}, "
          f"heard by the hook {sum(heard.values())}: {sorted(warned)}")  # fmt: skip
    if lost:
        print(f"{lost} frames were stored, and killed before their line was written")
    return wrong


def main() -> int:
    """Strike as often as asked; exit code 1 when something did not hold."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--times", type=int, default=40)
    asked = parser.parse_args()
    draw = random.Random(asked.seed)
    with tempfile.TemporaryDirectory(prefix="watch-kills-") as folder:
        home = Path(folder)
        sources = _drawn(home / "drawn")
        struck = Struck(home)
        for time_ in range(asked.times):
            share = slice(time_ * FRAMES // asked.times, (time_ + 1) * FRAMES // asked.times)
            _put(sources[share], home / "frames", draw)
            time.sleep(draw.uniform(0.0, 6.0))
            struck.strike()
            struck.begin()
        end = time.monotonic() + 120
        while len({e["path"] for e in struck.told() if e["kind"] == "frame"}) < FRAMES - 5:
            if time.monotonic() > end:
                break
            time.sleep(0.5)
        time.sleep(15)
        struck.process.send_signal(signal.SIGINT)
        struck.close()
        wrong = _faults(home, struck)
        left = [pid for mark in struck.marks if mark for pid in orphans(mark)]
    wrong += [f"{len(left)} processes are left"] * bool(left)
    print(f"{asked.times} kills, seed {asked.seed}: {'; '.join(wrong) or 'all held'}")
    return int(bool(wrong))


if __name__ == "__main__":
    sys.exit(main())
