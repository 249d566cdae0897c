"""Several machines of a club scan into one server, are killed and lose it; a bench uses it too."""

import os
import random
import signal
import subprocess
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

import numpy as np
from astropy.io import fits

from tests.archives import FILTERS, TARGETS, Shot, headers_of
from tests.core.spellings import SPELLINGS
from tests.tools import argv, environment

DAY_SLOTS = 144  # of ten minutes each, from dusk to dusk
A_NIGHT = 50  # exposures of a camera
EMPTY, DRAWN = (24, 32), (128, 192)  # without stars; the least in which twenty are measured
STARS, STAR_SIGMA_PX = 20, 1.6
LENGTHS_S = (61.5, 90.0, 120.0, 180.5, 300.0, 599.0)
KILLED_S = 1.0
ENOUGH_S = 1800.0
MOST_STARTS = 8


# --- nights -----------------------------------------------------------------------------------


def draw_shots(seed: int, exposures: int, cameras: int) -> list[Shot]:
    """Draw nights of several cameras: raw lights, each of which has a calibrated copy."""
    rng = random.Random(seed)
    found = []
    for number in range(exposures):
        at, camera = divmod(number, cameras)
        night, of_night = divmod(at, A_NIGHT)
        target, name = rng.choice(TARGETS), rng.choice(sorted(FILTERS))
        found.append(
            Shot(
                camera=camera + 1,
                slot=night * DAY_SLOTS + of_night,
                length_s=rng.choice(LENGTHS_S),
                target=target,
                spelling=rng.choice(SPELLINGS[target]),
                filter=name,
                filter_spelling=rng.choice(FILTERS[name]),
                kind=rng.choice(("Light Frame", "LIGHT")),
                calibrated=True,
            )
        )
    return found


def draw_pixels(seed: Sequence[int], shape: tuple[int, int]) -> np.ndarray[Any, Any]:
    """Draw a small sky; the larger kind has stars in it that are measured."""
    rng = np.random.default_rng(seed)
    pixels = rng.normal(1000, 20, shape)
    if shape == DRAWN:
        y, x = np.mgrid[: shape[0], : shape[1]]
        for _ in range(STARS):
            x0, y0 = rng.uniform(8, shape[1] - 8), rng.uniform(8, shape[0] - 8)
            peak = rng.uniform(120, 1200)
            pixels += peak * np.exp(-((x - x0) ** 2 + (y - y0) ** 2) / (2 * STAR_SIGMA_PX**2))
    return pixels.round().clip(0, 65535).astype(np.uint16)


def write_shots(folder: Path, shots: Sequence[Shot], seed: int, stars_in: int) -> list[Path]:
    """Write each exposure raw and calibrated, by camera and night; one in so many has stars.

    Gives the folders of nights.
    """
    nights: dict[Path, None] = {}
    for number, shot in enumerate(shots):
        shape = DRAWN if number % stars_in == 0 else EMPTY
        night = folder / f"camera {shot.camera}" / f"night {shot.slot // DAY_SLOTS}"
        for kind, (_, header) in zip(("raw", "calibrated"), headers_of(shot), strict=True):
            nights[night / kind] = None
            (night / kind).mkdir(parents=True, exist_ok=True)
            pixels = draw_pixels((seed, shot.camera, shot.slot, kind == "raw"), shape)
            name = f"{shot.slot % DAY_SLOTS:03d}.fits"
            fits.PrimaryHDU(pixels, header).writeto(night / kind / name)
    return list(nights)


def overlapping(folders: Sequence[Path], clients: int, seed: int) -> list[list[Path]]:
    """Give each client its share of folders, and an eighth of all the others besides."""
    rng = random.Random(seed)
    mixed = rng.sample(list(folders), len(folders))
    found = []
    for client in range(clients):
        own = mixed[client::clients]
        others = [folder for folder in mixed if folder not in own]
        found.append(own + rng.sample(others, len(others) // 8))
    return found


# --- machines -----------------------------------------------------------------------------------


@dataclass
class Client:
    """A machine that scans its folders until that has succeeded, however often it is struck."""

    home: Path
    folders: Sequence[Path]
    env: Mapping[str, str]
    starts: int = 0
    kills: int = 0
    said: list[str] = field(default_factory=list)  # what it ended with, where that was no success
    _process: "subprocess.Popen[bytes] | None" = None
    _log: IO[bytes] | None = None

    def start(self) -> None:
        """Start the scan, as a person would again."""
        self.starts += 1
        self._log = open(self.home / f"log-{self.starts}", "wb")  # noqa: SIM115 - the process's
        self._process = subprocess.Popen(
            argv("scan", *self.folders, "--workers", "1"),
            env=self.env,
            cwd=self.home,
            stdin=subprocess.DEVNULL,
            stdout=self._log,
            stderr=self._log,
            start_new_session=True,
        )

    @property
    def is_at_work(self) -> bool:
        """Tell whether its scan runs."""
        return self._process is not None and self._process.poll() is None

    def kill(self) -> bool:
        """End the scan with kill -9; False where it had ended."""
        assert self._process is not None
        alive = self.is_at_work
        with suppress(ProcessLookupError):
            os.kill(self._process.pid, signal.SIGKILL)
        self._process.wait()
        self.kills += alive
        return alive

    def has_succeeded(self) -> bool:
        """Tell whether it ended well; remembers its last words where it did not."""
        assert self._process is not None
        assert self._log is not None
        if self.is_at_work:
            return False
        self._log.close()
        code = self._process.returncode
        if code:
            last = (self.home / f"log-{self.starts}").read_text(errors="replace")
            self.said.append(f"{code}: {last[-400:]}")
        return code == 0


@dataclass(frozen=True)
class Strike:
    """Something that happens when so large a share of the files is stored."""

    at: float
    act: Callable[[], object]


def run_until_done(clients: Sequence[Client], strikes: Sequence[Strike], share: Any) -> float:
    """Let all clients scan, strike when the time has come, start again what ended; gives seconds.

    `share` tells how much of all files is stored.
    """
    began = time.monotonic()
    waiting = sorted(strikes, key=lambda strike: -strike.at)
    for client in clients:
        client.start()
    open_ = list(clients)
    while open_:
        assert time.monotonic() - began < ENOUGH_S, [client.said for client in open_]
        time.sleep(0.1)
        if waiting and (share() or 0.0) >= waiting[-1].at:
            waiting.pop().act()
        open_ = [client for client in open_ if not client.has_succeeded()]
        for client in open_:
            if not client.is_at_work:
                assert client.starts < MOST_STARTS, client.said
                client.start()
    assert not waiting, "not every strike came"
    return time.monotonic() - began


def make_clients(home: Path, url: str, shares: Sequence[Sequence[Path]]) -> list[Client]:
    """Make machines of their own names, which see the same folders."""
    found = []
    for number, folders in enumerate(shares):
        own = home / f"client {number}"
        own.mkdir()
        env = environment(own, RUNLOG_DB=url, RUNLOG_MACHINE=f"machine {number % 4}")
        found.append(Client(own, folders, env))
    return found


def kill_one(clients: Sequence[Client], rng: random.Random) -> None:
    """Kill one that is at work and was not killed before."""
    for client in rng.sample(list(clients), len(clients)):
        if client.is_at_work and not client.kills and client.kill():
            return
    raise AssertionError("nobody was at work any more")
