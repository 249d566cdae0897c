"""What a worker of a cluster does: as one of our own, with the file where that machine has it.

Nothing here is written to a database: what is found goes back to the client, who stores it.
"""

import multiprocessing
import os
import threading
from collections.abc import Mapping
from dataclasses import dataclass, replace

from runlog.ingest.kept import Worker
from runlog.ingest.task import MEASURE_VERSION, Outcome, Task
from runlog.machine import this_machine

Folders = Mapping[str, bytes]  # of one root, by machine

# The worker itself must stay alive and answer its scheduler, whatever a file does: a process of our
# own reads for it, and is watched as on any machine.
_READER, _ONE_BY_ONE = Worker(), threading.Lock()


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
    with _ONE_BY_ONE:  # a worker with several threads reads one file at a time
        outcome = _READER.read(replace(task, path=path), sharing)
    return replace(outcome, path=task.path)


def _size(path: bytes) -> int | None:
    try:
        return os.stat(path).st_size
    except OSError:
        return None
