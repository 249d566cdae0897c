"""A person's own command, run on warnings: never by a shell, never for long, never in the way."""

import contextlib
import os
import queue
import shlex
import signal
import subprocess  # nosec B404
import threading
from collections.abc import Callable, Sequence
from typing import NamedTuple

from runlog.errors import UsageError

LIMIT_S = 10.0
MOST_WAITING = 100  # a hook that hangs each time is behind by so many at most


class _Call(NamedTuple):
    event: str
    text: str


def argv_of(command: str) -> list[str]:
    """Split a command as a shell would, without one: nothing in it is expanded.

    Raises
    ------
    UsageError
        When it is empty or a quotation is not closed.
    """
    try:
        words = shlex.split(command)
    except ValueError as error:
        raise UsageError(f"The hook cannot be read ({error})", command) from error
    if not words:
        raise UsageError("The hook is empty", cure="Give a command: --hook '/path/to/command word'")
    return words


class Hook:
    """Runs the command once for each event, one after the other, beside the watch."""

    def __init__(
        self, argv: Sequence[str], say: Callable[[str], None], limit_s: float = LIMIT_S
    ) -> None:
        self._argv, self._say, self._limit_s = list(argv), say, limit_s
        self._calls: queue.Queue[_Call | None] = queue.Queue(MOST_WAITING)
        self._said: set[str] = set()
        self._thread = threading.Thread(target=self._work, daemon=True)
        self._thread.start()

    def call(self, event: str, text: str) -> None:
        """Have it told of an event, with JSON on its standard input; returns at once."""
        try:
            self._calls.put_nowait(_Call(event, text))
        except queue.Full:
            self._say_once(f"hook: {MOST_WAITING} events wait for it; this one is not told")

    def close(self) -> None:
        """Let it end what it is at, within its time limit."""
        with contextlib.suppress(queue.Full):
            self._calls.put_nowait(None)
        self._thread.join(2 * self._limit_s)

    def _work(self) -> None:
        while (call := self._calls.get()) is not None:
            why = self._run(call)
            if why:
                self._say_once(f"hook: {why}")

    def _run(self, call: _Call) -> str | None:
        """Run it for one event; says why that failed."""
        try:
            process = subprocess.Popen(  # nosec B603 - a person's own command, without a shell
                self._argv,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                env=os.environ | {"RUNLOG_EVENT": call.event},
                start_new_session=True,
            )
        except OSError as error:
            return f"{self._argv[0]} cannot be started ({error.strerror or error})"
        except ValueError as error:  # a word with a zero byte in it
            return f"{self._argv[0]} cannot be started ({error})"
        try:
            process.communicate(call.text.encode(), timeout=self._limit_s)
        except subprocess.TimeoutExpired:
            _end(process)
            return f"{self._argv[0]} did not end within {self._limit_s:.0f} s and was ended"
        code = process.returncode
        return f"{self._argv[0]} failed (exit code {code})" if code else None

    def _say_once(self, words: str) -> None:
        if words not in self._said:
            self._said.add(words)
            self._say(words)


def _end(process: "subprocess.Popen[bytes]") -> None:
    """End a process and what it started; it has its own session, so nobody else is struck."""
    if hasattr(os, "killpg"):
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, signal.SIGKILL)
    process.kill()
    for stream in (process.stdin, process.stdout):
        if stream is not None:
            with contextlib.suppress(OSError):
                stream.close()
    process.wait()
