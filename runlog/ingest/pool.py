"""Worker processes that never outlive their parent, at low priority."""

import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing.connection import wait

from runlog.errors import RunlogError, hush_libraries
from runlog.ingest.leftovers import claim
from runlog.ingest.memory import bind, free_memory_bytes, share_bytes

MOST_WORKERS = 61 if sys.platform == "win32" else sys.maxsize  # Windows waits for no more at once
MEMORY_PER_WORKER = 600 << 20  # bytes; a 26 Mpx frame with room to spare
# Inherited by the workers: one thread each, and no imports from the folder a person stands in.
FOR_WORKERS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "PYTHONSAFEPATH")
# Not inherited: a cluster sets it for its workers, and glibc then gives each large array back at
# once; to fault it in again takes a third of the time that a frame takes.
NOT_FOR_WORKERS = ("MALLOC_TRIM_THRESHOLD_",)


def default_workers() -> int:
    """Choose the number of workers by cores and free memory."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return max(1, min(cores or 1, free_memory_bytes() // MEMORY_PER_WORKER))


@contextmanager
def pool(workers: int, sharing: int = 0) -> Iterator[ProcessPoolExecutor]:
    """Open a pool of worker processes; on leaving, work not begun is dropped.

    Each may take its share of the memory that is free, so that all of them fit, and the processes
    of other pools of this machine: `sharing` in all, where there are such.

    Raises
    ------
    RunlogError
        When no process can be started.
    """
    if not os.access(sys.executable, os.X_OK):  # begun as another user, and dropped to this one
        raise _no_workers(f"{sys.executable} may not be run by this user")
    before = {name: os.environ.get(name) for name in (*FOR_WORKERS, *NOT_FOR_WORKERS)}
    os.environ.update(dict.fromkeys(FOR_WORKERS, "1"))
    for name in NOT_FOR_WORKERS:
        os.environ.pop(name, None)
    context = _context()
    workers = min(workers, MOST_WORKERS)
    executor = ProcessPoolExecutor(
        workers,
        mp_context=context,
        initializer=_settle_in,
        initargs=(share_bytes(max(workers, sharing)),),
    )
    try:
        yield executor
    except OSError as error:  # a task's own come back with its outcome
        raise _no_workers(error.strerror or str(error)) from error
    finally:
        executor.shutdown(wait=True, cancel_futures=True)
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _no_workers(why: str) -> RunlogError:
    return RunlogError(
        "No process can be started to read files in",
        why,
        "See that this user may run Python and start processes, then scan again",
    )


def _context() -> "multiprocessing.context.BaseContext":
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    claim()
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["runlog.ingest.read"])
    try:
        _start_server()
    except OSError:  # no socket can lie in the folder for temporary files: its path is too long
        return multiprocessing.get_context("spawn")
    return context


def _start_server() -> None:
    """Start the server that forks the workers, deaf to Ctrl-C from its first instruction.

    It would else die of one that comes while it still imports, and its traceback would be all
    a person sees. The tracker goes first: starting it lets SIGINT through again.
    """
    from multiprocessing import forkserver, resource_tracker  # not where nothing can be forked

    resource_tracker.ensure_running()
    signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        forkserver.ensure_running()
    finally:
        signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})


def _settle_in(most_bytes: int) -> None:
    """Prepare a worker: the parent alone hears Ctrl-C, and its death ends us."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    hush_libraries()
    if hasattr(os, "nice"):
        os.nice(10)  # a live capture may share the machine
    threading.Thread(target=_die_with_parent, daemon=True).start()
    bind(most_bytes)


def _die_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)
