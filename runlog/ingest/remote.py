"""What a worker of a cluster does: as one of our own, with the file where that machine has it.

Nothing here is written to a database: what is found goes back to the client, who stores it.
"""

import multiprocessing
import os
import threading
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack
from dataclasses import dataclass, replace

from runlog.ingest.alone import outcome_of, read_alone
from runlog.ingest.pool import pool
from runlog.ingest.task import MEASURE_VERSION, Outcome, Task, read_file
from runlog.machine import this_machine

Folders = Mapping[str, bytes]  # of one root, by machine


@dataclass(frozen=True, slots=True)
class Place:
    """A file by its root and the path below it, and what tells that it is the same file."""

    root: str
    below: bytes
    size: int
    folders: Folders


@dataclass(frozen=True, slots=True)
class Introduction:
    """What a worker is, asked before it is given work."""

    machine: str
    measure_version: int
    may_start_processes: bool
    roots: frozenset[str]  # whose folder is there


def introduce(roots: Mapping[str, Folders]) -> Introduction:
    """Tell which machine and version this is, and which of some roots it has."""
    machine = this_machine()
    there = (name for name, at in roots.items() if machine in at and os.path.isdir(at[machine]))
    free = not multiprocessing.current_process().daemon
    return Introduction(machine, MEASURE_VERSION, free, frozenset(there))


def read_there(task: Task, place: Place, sharing: int) -> Outcome:
    """Read and measure a file as this machine has it; `sharing` workers share its memory."""
    folder = place.folders.get(this_machine(), b"")
    path = os.path.join(folder, place.below)
    if (found := _size(path)) != place.size:
        what = "is not there" if found is None else "is another file there"
        why = f"{what}, below the root {place.root} of {this_machine()}"
        return Outcome(task.path, failure=why, passing=True)
    outcome = _READER.read(replace(task, path=path), sharing)
    return replace(outcome, path=task.path)


def _size(path: bytes) -> int | None:
    try:
        return os.stat(path).st_size
    except OSError:
        return None


class _Reader:
    """A process of our own, which reads for this worker and is watched as on any machine.

    The worker itself must stay alive and answer its scheduler, whatever a file does.
    """

    def __init__(self) -> None:
        self._lock, self._open = threading.Lock(), ExitStack()
        self._executor: ProcessPoolExecutor | None = None

    def read(self, task: Task, sharing: int) -> Outcome:
        """Read a file; one that kills the process is read once more, alone."""
        with self._lock:  # a worker with several threads reads one file at a time
            if self._executor is None:
                self._executor = self._open.enter_context(pool(1, sharing))
            future = self._executor.submit(read_file, task)
            if not isinstance(future.exception(), BrokenProcessPool):
                return outcome_of(future, task)
            self._executor = None
            self._open.close()
            return read_alone(task)


_READER = _Reader()
