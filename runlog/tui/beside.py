"""A program of ours that runs beside the interface (see `child.py`), and what it reports."""

import asyncio
import json
import sys
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any, ClassVar


class Beside:
    """One process at a time; never forked under our threads, never left behind."""

    MODULE: ClassVar[str]

    def __init__(self, database: str, config: Path | None) -> None:
        self._database, self._config = database, [str(config)] if config else []
        self._process: asyncio.subprocess.Process | None = None
        self.code: int | None = None  # that the last one ended with

    async def reports(self) -> AsyncIterator[dict[str, Any]]:
        """Start it, and give what it reports until it has ended."""
        self._process = await asyncio.create_subprocess_exec(
            sys.executable, "-m", self.MODULE, *self._config,
            stdin=asyncio.subprocess.PIPE, stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
        )  # fmt: skip
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        # Not among the arguments, which every user of a machine may read: it may hold a password.
        self._process.stdin.write(json.dumps(self._database).encode() + b"\n")
        async for line in self._process.stdout:
            yield json.loads(line)
        self.code = await self._process.wait()

    def stop(self) -> None:
        """Ask it to stop after what is in hand."""
        if self._process is not None and self._process.stdin is not None:
            self._process.stdin.close()
