"""Worker processes that never outlive their parent, at low priority."""

import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing.connection import wait

MEMORY_PER_WORKER = 600 << 20  # bytes; a 26 Mpx frame with room to spare
ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def default_workers() -> int:
    """Choose the number of workers by cores and free memory."""
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return max(1, min(cores or 1, _free_memory() // MEMORY_PER_WORKER))


def _free_memory() -> int:
    try:
        with open("/proc/meminfo", encoding="ascii") as lines:
            for line in lines:
                if line.startswith("MemAvailable:"):
                    return int(line.split()[1]) * 1024
    except OSError:
        pass  # no such file outside Linux: cores alone decide
    return 1 << 62


@contextmanager
def pool(workers: int) -> Iterator[Executor]:
    """Open a pool of worker processes; on leaving, work not begun is dropped."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))  # inherited by the workers
    context = _context()
    executor = ProcessPoolExecutor(workers, mp_context=context, initializer=_settle_in)
    try:
        yield executor
    finally:
        executor.shutdown(wait=True, cancel_futures=True)
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _context() -> "multiprocessing.context.BaseContext":
    if "forkserver" not in multiprocessing.get_all_start_methods():
        return multiprocessing.get_context("spawn")
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["runlog.ingest.read"])
    return context


def _settle_in() -> None:
    """Prepare a worker: the parent alone hears Ctrl-C, and its death ends us."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(os, "nice"):
        os.nice(10)  # a live capture may share the machine
    threading.Thread(target=_die_with_parent, daemon=True).start()


def _die_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait([parent.sentinel])
        os._exit(1)
