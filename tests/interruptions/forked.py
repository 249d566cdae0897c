"""The command in a process that has the program loaded already: its life is work, not imports.

A start costs some ten times what most commands do, and nothing can be lost in it. So a soak may
fork: the child is what the command is once its modules are loaded, with its own output, folder,
surroundings and process group, and ends as a process does, but for what Python does at exit.
"""

import os
import secrets
import signal
import subprocess
import sys
import time
import traceback
from collections.abc import Mapping, Sequence
from pathlib import Path

from runlog import stopping

STEP_S = 0.002


class Forked:
    """A forked command, with what of a Popen the soak asks for."""

    def __init__(self, home: Path, words: Sequence[str], env: Mapping[str, str]) -> None:
        """Begin it."""
        name = secrets.token_hex(8)
        self._files = [home.parent / f"{name}.{end}" for end in ("out", "err")]
        self.returncode: int | None = None
        sys.stdout.flush()
        sys.stderr.flush()
        self.pid = os.fork()
        if not self.pid:
            _become(self._files, home, words, env)
        while os.getpgid(self.pid) != self.pid and self.poll() is None:
            time.sleep(STEP_S / 10)

    def poll(self) -> int | None:
        """Tell how it ended; None while it runs."""
        if self.returncode is None:
            pid, status = os.waitpid(self.pid, os.WNOHANG)
            self.returncode = os.waitstatus_to_exitcode(status) if pid else None
        return self.returncode

    def communicate(self, timeout: float | None = None) -> tuple[str, str]:
        """Wait for its end; gives what it said."""
        until = None if timeout is None else time.monotonic() + timeout
        while self.poll() is None:
            if until is not None and time.monotonic() > until:
                raise subprocess.TimeoutExpired("runlog", timeout or 0)
            time.sleep(STEP_S)
        out, err = (path.read_text() if path.exists() else "" for path in self._files)
        for path in self._files:
            path.unlink(missing_ok=True)
        return out, err

    def kill(self) -> None:
        """Kill it."""
        if self.poll() is None:
            os.kill(self.pid, signal.SIGKILL)


def _become(files: Sequence[Path], home: Path, words: Sequence[str], env: Mapping[str, str]
            ) -> None:  # fmt: skip
    """Be the command from here on, in the child."""
    code = 1
    try:
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        os.setsid()
        for stream, path in zip((1, 2), files, strict=True):
            os.dup2(os.open(path, os.O_WRONLY | os.O_CREAT, 0o600), stream)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.environ.clear()
        os.environ.update(env)
        os.chdir(home)
        code = _ran(words)
    except BaseException:  # noqa: BLE001 - told, and the child must never go on as its parent
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


def _ran(words: Sequence[str]) -> int:
    from runlog.cli import main

    sys.argv = ["runlog", *words]
    try:
        main()
    except SystemExit as end:
        return int(end.code or 0)
    except KeyboardInterrupt:
        stopping.over()
        raise
    return 0
