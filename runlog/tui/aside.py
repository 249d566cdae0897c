"""Work in processes of our own: what reads a large archive would take its time from the keys.

Threads share one interpreter, so that each key would wait for the reading again and again.
"""

import asyncio
import pickle  # nosec B403
import subprocess  # nosec B404
import sys
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from threading import Lock
from typing import IO, Any, TypeVar

from runlog.errors import RunlogError

MOST = 8  # processes at a time; more than ever are asked for at once
LENGTH_BYTES = 8
ENDING_S = 5.0  # it has to leave what it writes in order
Result = TypeVar("Result")


def put(stream: IO[bytes], what: object) -> None:
    """Send one thing, its length before it."""
    body = pickle.dumps(what)
    stream.write(len(body).to_bytes(LENGTH_BYTES, "big") + body)
    stream.flush()


def take(stream: IO[bytes]) -> Any:
    """Receive one thing; EOFError when nobody sends any more."""
    head = stream.read(LENGTH_BYTES)
    body = stream.read(int.from_bytes(head, "big"))
    if len(head) < LENGTH_BYTES:
        raise EOFError
    return pickle.loads(body)  # nosec B301 - from a process of ours that nobody else reaches


class _Child:
    """One process; it ends, whatever it is at, when we let go of its stdin."""

    def __init__(self, database: str) -> None:
        pipe = subprocess.PIPE
        self._process = subprocess.Popen(  # nosec B603
            [sys.executable, "-m", "runlog.tui.aside_child"],
            stdin=pipe, stdout=pipe, stderr=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._to, self._from = self._process.stdin, self._process.stdout
        put(self._to, database)  # not among the arguments, which every user of a machine may read

    def ask(self, work: Callable[..., Any], args: tuple[Any, ...]) -> Any:
        """Have it do some work; what goes wrong there is raised here."""
        try:
            put(self._to, (work, args))
            found, error = take(self._from)
        except (EOFError, OSError) as lost:
            raise RunlogError("The process that was reading ended", cure="Ask again") from lost
        if error is not None:
            raise error
        return found

    def end(self) -> None:
        """Let it end; whoever waits for its answer is told that there will be none."""
        with suppress(OSError):  # what was still to be sent has nobody to go to
            self._to.close()
        try:
            self._process.wait(ENDING_S)
        except subprocess.TimeoutExpired:  # it is deaf: what it reads has nobody to go to
            self._process.kill()
            self._process.wait()

    def close(self) -> None:
        """End it while nobody waits for it."""
        self.end()
        self._from.close()


class Aside:
    """Processes that work for us: one that is idle is kept, as it knows the modules by then."""

    def __init__(self, database: str) -> None:
        self._database = database
        self._threads = ThreadPoolExecutor(MOST)
        self._lock = Lock()
        self._idle: list[_Child] = []
        self._busy: set[_Child] = set()
        self._closed = False

    async def run(self, work: Callable[..., Result], *args: Any) -> Result:
        """Have `work(engine, *args)` done; whoever stops waiting for it ends it."""
        asked = _Asked(self, work, args)
        try:
            return await asyncio.get_running_loop().run_in_executor(self._threads, asked.answer)
        except asyncio.CancelledError:
            asked.give_up()
            raise

    def taken(self) -> _Child:
        """Take a process that is idle, or a new one."""
        with self._lock:
            if self._closed:
                raise RunlogError("runlog is ending")
            child = self._idle.pop() if self._idle else _Child(self._database)
            self._busy.add(child)
            return child

    def given_back(self, child: _Child, *, sound: bool) -> None:
        """Keep a process for the next one who asks, if none is kept already."""
        with self._lock:
            self._busy.discard(child)
            if sound and not (self._idle or self._closed):
                self._idle.append(child)
                return
        child.close()

    def close(self) -> None:
        """End them all."""
        with self._lock:
            self._closed = True
            idle, busy = self._idle, list(self._busy)
            self._idle = []
        for child in idle:
            child.close()
        for child in busy:
            child.end()
        self._threads.shutdown()


class _Asked:
    """One question, and which process has it."""

    def __init__(self, aside: Aside, work: Callable[..., Any], args: tuple[Any, ...]) -> None:
        self._aside, self._work, self._args = aside, work, args
        self._lock, self._given_up = Lock(), False
        self._child: _Child | None = None

    def answer(self) -> Any:
        """Ask, in a thread that has nothing else to do than to wait."""
        with self._lock:
            if self._given_up:
                return None
            child = self._child = self._aside.taken()
        sound = False
        try:
            found = child.ask(self._work, self._args)
            sound = True
            return found
        except RunlogError as error:
            sound = not isinstance(error.__cause__, (EOFError, OSError))
            raise
        finally:
            with self._lock:
                self._child = None
                sound = sound and not self._given_up
            self._aside.given_back(child, sound=sound)

    def give_up(self) -> None:
        """End the process that is at it."""
        with self._lock:
            self._given_up = True
            if self._child is not None:
                self._child.end()
