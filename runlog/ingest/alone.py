"""What a reader sent back, and a file that killed its reader read once more, alone."""

import os
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace

from runlog.core.failures import OWN_FAULT, PATIENCE_SETTING, place_of
from runlog.errors import CrampedError
from runlog.ingest import leftovers
from runlog.ingest.pool import pool
from runlog.ingest.task import Outcome, Task, read_file


def outcome_of(future: "Future[Outcome]", task: Task) -> Outcome:
    """Give what a worker sent back; what it could not send is no reason to lose the others."""
    error = future.exception()
    if error is None:
        return future.result()
    if isinstance(error, MemoryError):
        return Outcome(task.path, failure=CrampedError().what, passing=True, cramped=True)
    why = f"{OWN_FAULT}, not through its own fault ({place_of(error)})"
    return Outcome(task.path, failure=why, passing=True)


def read_alone(task: Task) -> Outcome:
    """Read a file in a process of its own, which may end without a word; its time is noted."""
    with leftovers.temporary_folder() as folder:
        notes = os.path.join(folder, "notes")
        with pool(1) as executor:
            future = executor.submit(read_file, replace(task, last_words=notes))
            if not isinstance(future.exception(), BrokenProcessPool):
                return outcome_of(future, task)
        why = "made its worker process die (out of memory?)"
        # Only the watch over its time writes there.
        if os.path.exists(notes) and os.path.getsize(notes):
            why = f"hung until its worker process was ended (see {PATIENCE_SETTING})"
        return Outcome(task.path, failure=why, passing=True)
