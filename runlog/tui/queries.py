"""The way to the database: in threads, and never to a file that is not the one opened."""

import asyncio
import os
from collections.abc import Awaitable, Callable
from typing import Any, TypeVar

from runlog.actions.open import Database, database_file
from runlog.errors import RunlogError, StoreError
from runlog.tui.aside import Aside

Result = TypeVar("Result")


class Queries:
    """Runs queries, each of which is handed the engine; what goes wrong comes back as words."""

    def __init__(self, engine: Database, aside: Aside) -> None:
        self._engine, self._aside = engine, aside
        self._file: tuple[int, int] | None = None

    async def in_thread(
        self, work: Callable[..., Result], *args: Any
    ) -> tuple[Result | None, RunlogError | None]:
        """Run a query beside the painting; its result, or what went wrong."""
        return await _tried(asyncio.to_thread(self.now, work, *args))

    async def in_process(
        self, work: Callable[..., Result], *args: Any
    ) -> tuple[Result | None, RunlogError | None]:
        """Run a query in a process of its own, where it takes no time from the keys."""
        _, error = await self.in_thread(_nothing)  # is the database still there?
        return (None, error) if error else await _tried(self._aside.run(work, *args))

    def now(self, work: Callable[..., Result], *args: Any) -> Result:
        """Run a query here, if the database is still there."""
        file = database_file(self._engine)
        if file is not None:
            self._same_file(file)
        return work(self._engine, *args)

    def _same_file(self, path: str) -> None:
        """Refuse a database that is gone: opening it would make a new, empty one in its place.

        When another file lies there now, what is still open is the old one that nobody else sees.
        """
        try:
            found = os.stat(path)
        except OSError as error:
            words = "Put it back, or leave with q; runlog waits for it to return"
            raise StoreError("The database is gone", path, words) from error
        file = found.st_dev, found.st_ino
        if self._file not in (None, file):
            self._engine.dispose()
        self._file = file


async def _tried(running: Awaitable[Result]) -> tuple[Result | None, RunlogError | None]:
    try:
        return await running, None
    except RunlogError as error:
        return None, error
    except Exception as error:  # noqa: BLE001 - said aloud; one odd row must not end the sitting
        return None, RunlogError(f"runlog failed ({type(error).__name__}: {error})")


def _nothing(_database: Database) -> None:
    """Ask for nothing."""
