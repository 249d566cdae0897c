"""What the interface runs as a process of its own: a line of JSON a report, ended by its stdin.

The first line of its stdin names the database. When the interface ends or asks for it, its end of
our stdin closes, and the work stops after what is in hand.
"""

import json
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from runlog.actions.open import Database, open_store
from runlog.config import Settings, load_settings
from runlog.errors import RunlogError, hush_libraries

Stop = Callable[[], bool]


def tell(**words: Any) -> None:
    """Write one report."""
    print(json.dumps(words), flush=True)  # noqa: T201 - stdout is this program's voice


def serve(work: Callable[[Database, Settings, Stop], object]) -> int:
    """Do some work on the database and by the config that are named; why it could not is told."""
    hush_libraries()
    named, config = sys.stdin.buffer.readline(), sys.argv[1:]
    if not named:  # the interface ended before it named one
        return 0
    stopped = threading.Event()
    threading.Thread(target=_wait_for_end, args=(stopped,), daemon=True).start()
    try:
        settings = load_settings(Path(config[0]) if config else None)
        with _opened(json.loads(named), settings) as database:
            work(database, settings, stopped.is_set)
    except RunlogError as error:
        tell(error=str(error).replace("\n", " "))
        return int(error.exit_code)
    return 0


@contextmanager
def _opened(name: str, settings: Settings) -> Iterator[Database]:
    database = open_store(name, settings)
    try:
        yield database
    finally:
        database.dispose()


def _wait_for_end(stopped: threading.Event) -> None:
    sys.stdin.buffer.read()
    stopped.set()
