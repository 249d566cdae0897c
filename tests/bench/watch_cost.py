"""What a watch costs: python -m tests.bench.watch_cost latency|idle|memory FOLDER.

latency: frames of 8 megapixels, written in pieces every few seconds; from complete to graded, and
processor time a frame against that of a plain scan of the same files, the command's own process
apart from its worker. A plain scan's is the middle one of a few, as the watch is measured once.
idle: processor time of a watch over a folder to which nothing comes, for two minutes.
memory: 2,000 small frames of four rigs in one folder, each with as many as 12 hours of 80 s have,
as fast as they are taken.
"""

import argparse
import contextlib
import json
import os
import shutil
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import psutil

from samples.maker.quick import make_run
from tests.tools import argv, environment, noise, write_frame

WARM = 3  # frames after which all is loaded that ever is
RIGS = 4  # whose frames come to the watch of thousands
AHEAD = 40  # frames that wait for a watch that is to take thousands: it takes some at once
EIGHT_MPX = (2448, 3296)  # rows, columns
PLAIN_SCANS = 3


@dataclass(frozen=True, slots=True)
class Cpu:
    """Processor time in seconds, of a command's own process and of those that it started."""

    own_s: float
    others_s: float

    @classmethod
    def of(cls, taken_s: Mapping[int, float], own: int) -> "Cpu":
        """Add up what processes took, by their numbers."""
        return cls(taken_s[own], sum(taken_s.values()) - taken_s[own])

    @property
    def all_s(self) -> float:
        """The time of all."""
        return self.own_s + self.others_s

    def less(self, other: "Cpu", frames: int) -> "Cpu":
        """Give the time of a frame, where some were taken since or besides another measure."""
        own_s, others_s = self.own_s - other.own_s, self.others_s - other.others_s
        return Cpu(own_s / frames, others_s / frames)

    def __str__(self) -> str:
        return f"{self.all_s:.3f} s ({self.own_s:.3f} s its own, {self.others_s:.3f} s its worker)"


def _cpu_s(process: psutil.Process) -> float:
    times = process.cpu_times()
    return float(times.user + times.system)


class Running:
    """A watch at work, its events and what it takes."""

    def __init__(self, home: Path, every: float = 5.0) -> None:
        self.out = (home / "out").open("w+")
        env = environment(home, RUNLOG_DB=str(home / "night.sqlite"))
        words = argv("scan", "frames", "--watch", "--json", "--every", str(every))
        self.process = subprocess.Popen(
            words, cwd=home, env=env, stdout=self.out, stderr=subprocess.PIPE, text=True
        )
        assert self.process.stderr is not None
        for line in self.process.stderr:
            if "Watching" in line:
                break
        threading.Thread(target=self.process.stderr.read, daemon=True).start()
        self._told: list[dict[str, Any]] = []
        self._read = (home / "out").open()
        self._rest = ""

    def events(self) -> list[dict[str, Any]]:
        """Read what it told until now; what was read before is not read again."""
        *lines, self._rest = (self._rest + self._read.read()).split("\n")
        self._told += [json.loads(line) for line in lines]
        return self._told

    def graded(self) -> int:
        """Count the frames it told; a watch that ended is no watch."""
        assert self.process.poll() is None, f"it ended with exit code {self.process.returncode}"
        return sum(event["kind"] == "frame" for event in self.events())

    def kin(self) -> list[psutil.Process]:
        """List its processes."""
        own = psutil.Process(self.process.pid)
        return [own, *own.children(recursive=True)]

    def cpu(self) -> Cpu:
        """Add up the processor time of its living processes."""
        return Cpu.of({kin.pid: _cpu_s(kin) for kin in self.kin()}, self.process.pid)

    def cpu_s(self) -> float:
        """Give the processor time of all of them."""
        return self.cpu().all_s

    def rss_mb(self) -> float:
        """Add up what they hold in memory."""
        return sum(process.memory_info().rss for process in self.kin()) / 1e6

    def end(self) -> int:
        """End it as a person does."""
        self.process.send_signal(signal.SIGINT)
        return self.process.wait(60)


def _drawn(folder: Path, frames: int, size: tuple[int, int]) -> list[Path]:
    begun = datetime.now(UTC) - timedelta(seconds=frames * 317 + 60)
    make_run(folder, frames, size=size, start_utc=begun, stars=1500)
    return sorted(folder.iterdir())


def _plain_cpu(home: Path, folder: Path) -> Cpu:
    """Measure the processor time of plain scans of a folder, each into a new database."""
    scans = [_one_plain_cpu(Path(tempfile.mkdtemp(dir=home)), folder) for _ in range(PLAIN_SCANS)]
    return sorted(scans, key=lambda scan: scan.all_s)[PLAIN_SCANS // 2]


def _one_plain_cpu(home: Path, folder: Path) -> Cpu:
    """Measure one; a worker ends before the frames are graded, and counts all the same."""
    env = environment(home, RUNLOG_DB=str(home / "plain.sqlite"))
    words = argv("scan", folder, "--workers", "1")
    process = subprocess.Popen(words, env=env, cwd=home, stderr=subprocess.DEVNULL)
    taken_s = {process.pid: 0.0}
    while process.poll() is None:
        with contextlib.suppress(psutil.Error):
            own = psutil.Process(process.pid)
            for kin in (own, *own.children(recursive=True)):
                taken_s[kin.pid] = _cpu_s(kin)
        time.sleep(0.02)
    assert process.returncode == 0, f"the plain scan ended with exit code {process.returncode}"
    return Cpu.of(taken_s, process.pid)


def latency(home: Path, frames: int) -> None:
    """Print how long frames of 8 megapixels take from complete to graded."""
    sources = _drawn(home / "drawn", frames, EIGHT_MPX)
    (home / "frames").mkdir()
    watch = Running(home)
    at_first = Cpu(0.0, 0.0)
    complete: dict[str, float] = {}
    for number, source in enumerate(sources):
        data = source.read_bytes()
        with (home / "frames" / source.name).open("wb") as file:
            for start in range(0, len(data), len(data) // 5 + 1):
                file.write(data[start : start + len(data) // 5 + 1])
                file.flush()
                time.sleep(0.2)
        complete[source.name] = time.time()
        while watch.graded() <= number:
            time.sleep(0.1)
        if number + 1 == WARM:
            at_first = watch.cpu()
        time.sleep(float(np.random.default_rng(number).uniform(0, 5)))
    more = frames - WARM
    took = watch.cpu().less(at_first, more)
    told = {os.path.basename(e["path"]): e for e in watch.events() if e["kind"] == "frame"}
    waits = [
        datetime.fromisoformat(told[name]["at_utc"]).timestamp() - at
        for name, at in complete.items()
    ]
    watch.end()
    (home / "few").mkdir()
    for source in sources[:WARM]:
        shutil.copy(source, home / "few")
    plain = _plain_cpu(home, home / "frames").less(_plain_cpu(home, home / "few"), more)
    print(f"{frames} frames of 8 megapixels: complete to graded median {np.median(waits):.1f} s, "
          f"95 % {np.quantile(waits, 0.95):.1f} s, most {max(waits):.1f} s")  # fmt: skip
    print(f"processor time a frame when warm {took}; of a plain scan {plain}; "
          f"ratio {took.all_s / plain.all_s:.2f}")  # fmt: skip


def idle(home: Path, known: int) -> None:
    """Print the share of a core that waiting takes, beside some known files."""
    folder = home / "frames" / "earlier"
    for number in range(known):
        path = write_frame(folder / f"{number:04d}.fits", noise(number))
        os.utime(path, (time.time() - 3600,) * 2)  # they lie there: nothing is read any more
    watch = Running(home)
    time.sleep(5)
    before, began = watch.cpu_s(), time.monotonic()
    time.sleep(120)
    share = (watch.cpu_s() - before) / (time.monotonic() - began)
    watch.end()
    print(f"idle beside {known} files: {100 * share:.2f} % of a core")


def memory(home: Path, frames: int) -> None:
    """Print what a long watch holds in memory as it goes on."""
    (home / "frames").mkdir()
    sources = _drawn(home / "drawn", 20, (200, 260))
    base = datetime.now(UTC) - timedelta(hours=12)
    watch = Running(home, 0.5)
    cpu = watch.cpu_s()
    for number in range(frames):
        _copy(sources[number % 20], home / "frames" / f"{number:05d}.fits",
              base + timedelta(seconds=86 * (number // RIGS)), number)  # fmt: skip
        while watch.graded() < number - AHEAD:
            time.sleep(0.1)
        if number % (frames // 10) == frames // 10 - 1:
            while watch.graded() <= number:
                time.sleep(0.5)
            now = watch.cpu_s()
            print(f"{number + 1} frames: {watch.rss_mb():.0f} MB, "
                  f"{(now - cpu) / (frames // 10):.2f} s a frame", flush=True)  # fmt: skip
            cpu = now
    print("exit code", watch.end())


def _copy(source: Path, to: Path, at: datetime, number: int) -> None:
    from astropy.io import fits

    with fits.open(source) as frame:
        frame[0].header["DATE-OBS"] = at.strftime("%Y-%m-%dT%H:%M:%S")
        frame[0].header["EXPTIME"] = 80.0
        frame[0].header["INSTRUME"] = f"MonoCam {number % RIGS}"
        frame[0].data[0, number % 200] += 1 + number // 200
        frame.writeto(to)


def main(words: Sequence[str] | None = None) -> None:
    """Measure what is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("what", choices=("latency", "idle", "memory"))
    parser.add_argument("folder", type=Path, help="for what is written; made, and cleared after")
    parser.add_argument("--frames", type=int, default=0)
    asked = parser.parse_args(words)
    asked.folder.mkdir(parents=True, exist_ok=True)
    home = Path(tempfile.mkdtemp(dir=asked.folder))
    try:
        if asked.what == "latency":
            latency(home, asked.frames or 20)
        elif asked.what == "idle":
            idle(home, asked.frames or 500)
        else:
            memory(home, asked.frames or 2000)
    finally:
        shutil.rmtree(home)


if __name__ == "__main__":
    main()
