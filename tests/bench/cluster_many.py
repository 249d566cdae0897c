"""What a cluster of many workers would do, from what one file was measured to cost.

A file passes the scheduler, the link to the store of frames, a worker, the scheduler again and the
client, who stores it; each but the workers is one, and serves one file at a time. The client has a
few files a worker handed out and waits until one comes back, as `runlog scan` does.
"""

import heapq
import random
from collections import deque
from dataclasses import dataclass

from runlog.actions.scan import AHEAD

FILES = 20_000
A_DAY_S = 86_400
SPREAD = 0.3  # of the time a file takes a worker, as a share of it


@dataclass(frozen=True, slots=True)
class Costs:
    """Seconds a file, measured; bytes of a file and what the link carries of them a second."""

    worker_s: float
    client_s: float
    scheduler_s: float
    file_bytes: float
    link_bytes_s: float

    @property
    def link_s(self) -> float:
        """How long a file takes the link."""
        return self.file_bytes / self.link_bytes_s


@dataclass(frozen=True, slots=True)
class Ran:
    """What a simulated scan came to."""

    files_s: float
    busy: dict[str, float]  # share of the time that each was at work

    @property
    def a_day(self) -> float:
        """Files a day."""
        return self.files_s * A_DAY_S

    @property
    def fullest(self) -> str:
        """Name what was at work most."""
        return max(self.busy, key=lambda name: self.busy[name])


class _Station:
    """Some alike that serve one file at a time each; the others wait in a row."""

    def __init__(self, servers: int) -> None:
        self.servers, self.free, self.waiting = servers, servers, deque[tuple[int, int]]()
        self.worked_s = 0.0


ROUTE = ("scheduler", "link", "worker", "scheduler", "client")


def simulate(workers: int, costs: Costs, files: int = FILES, seed: int = 1) -> Ran:
    """Let so many workers read so many files; times of workers scatter, the others' do not."""
    rng = random.Random(seed)
    stations = {name: _Station(1) for name in ROUTE} | {"worker": _Station(workers)}
    takes = {
        "scheduler": costs.scheduler_s / 2,
        "link": costs.link_s,
        "client": costs.client_s,
    }
    now, given, done = 0.0, 0, 0
    ends: list[tuple[float, int, int]] = []  # when, which file, at which stop of its route

    def arrive(file: int, stop: int) -> None:
        station = stations[ROUTE[stop]]
        station.waiting.append((file, stop))
        serve(station)

    def serve(station: _Station) -> None:
        while station.free and station.waiting:
            file, stop = station.waiting.popleft()
            name = ROUTE[stop]
            takes_s = takes[name] if name in takes else _of_worker(costs.worker_s, rng)
            station.free -= 1
            station.worked_s += takes_s
            heapq.heappush(ends, (now + takes_s, file, stop))

    while given < min(AHEAD * workers, files):
        arrive(given, 0)
        given += 1
    while ends:
        now, file, stop = heapq.heappop(ends)
        station = stations[ROUTE[stop]]
        station.free += 1
        serve(station)
        if stop + 1 < len(ROUTE):
            arrive(file, stop + 1)
            continue
        done += 1
        if given < files:
            arrive(given, 0)
            given += 1
    assert done == files
    busy = {name: s.worked_s / (now * s.servers) for name, s in stations.items()}
    return Ran(files / now, busy)


def _of_worker(mean_s: float, rng: random.Random) -> float:
    return max(mean_s * (1 + SPREAD * rng.gauss(0, 1)), 0.1 * mean_s)
