"""The process of `aside.py`: does what it is sent, until its stdin ends."""

import os
import signal
import sys
import threading
from queue import SimpleQueue
from typing import IO, Any

from runlog.actions.open import Database, open_read
from runlog.errors import RunlogError, hush_libraries
from runlog.tui.aside import put, take

Task = tuple[Any, tuple[Any, ...]]


def main() -> int:
    """Answer question by question; what anything prints goes nowhere."""
    hush_libraries()
    signal.signal(signal.SIGINT, signal.default_int_handler)  # a shell may have it ignored
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    asks = sys.stdin.buffer
    try:
        database = open_read(take(asks))
        tasks: SimpleQueue[Task] = SimpleQueue()
        threading.Thread(target=_listen, args=(asks, tasks), daemon=True).start()
        while True:
            put(answers, _done(database, *tasks.get()))
    except (EOFError, OSError, KeyboardInterrupt):
        return 0


def _listen(asks: IO[bytes], tasks: "SimpleQueue[Task]") -> None:
    try:
        while True:
            tasks.put(take(asks))
    except EOFError:
        os.kill(os.getpid(), signal.SIGINT)  # whatever is being done: nobody waits for it


def _done(database: Database, work: Any, args: tuple[Any, ...]) -> tuple[Any, RunlogError | None]:
    try:
        return work(database, *args), None
    except RunlogError as error:
        return None, error
    except Exception as error:  # noqa: BLE001 - said aloud where it was asked for
        return None, RunlogError(f"runlog failed ({type(error).__name__}: {error})")
    finally:
        database.dispose()  # another file may lie in its place by the next time


if __name__ == "__main__":
    sys.exit(main())
