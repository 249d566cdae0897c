"""The way to the database: in threads, and never to a file that is not the one opened."""

import asyncio
import os
from collections.abc import Callable
from typing import Any, TypeVar

from runlog.actions.open import Database, database_file
from runlog.errors import RunlogError, StoreError

Result = TypeVar("Result")


class Queries:
    """Runs queries, each of which is handed the engine; what goes wrong comes back as words."""

    def __init__(self, engine: Database) -> None:
        self._engine = engine
        self._file: tuple[int, int] | None = None

    async def in_thread(
        self, work: Callable[..., Result], *args: Any
    ) -> tuple[Result | None, RunlogError | None]:
        """Run a query beside the painting; its result, or what went wrong."""
        try:
            return await asyncio.to_thread(self.now, work, *args), None
        except RunlogError as error:
            return None, error
        except Exception as error:  # noqa: BLE001 - said aloud; one odd row must not end the sitting
            return None, RunlogError(f"runlog failed ({type(error).__name__}: {error})")

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
