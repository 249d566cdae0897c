"""One worker process that is kept, for files that come one by one."""

from collections.abc import Callable
from concurrent.futures import Executor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack
from types import TracebackType
from typing import Self

from runlog.ingest.alone import outcome_of, read_alone
from runlog.ingest.pool import pool
from runlog.ingest.task import Outcome, Task, read_file

BEAT_S = 1.0  # while a file is read, so often whoever waits may do something else


class Worker:
    """Started with the first file and kept; a dead one is replaced."""

    def __init__(self, beat: Callable[[], object] = lambda: None) -> None:
        self.beat, self._stack = beat, ExitStack()
        self._executor: Executor | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        self._let_go()

    def _let_go(self) -> None:
        self._executor = None
        self._stack.close()

    def read(self, task: Task, sharing: int = 1) -> Outcome:
        """Read one file; what kills the worker is read once more, alone.

        `sharing` workers of this machine share its memory.
        """
        if self._executor is None:
            self._executor = self._stack.enter_context(pool(1, sharing))
        try:
            future = self._executor.submit(read_file, task)
        except BrokenProcessPool:  # it died meanwhile, for want of memory
            self._let_go()
            return self.read(task, sharing)
        while not wait([future], timeout=BEAT_S).done:
            self.beat()
        if isinstance(future.exception(), BrokenProcessPool):
            self._let_go()
            return read_alone(task)
        return outcome_of(future, task)
