"""A terminal that goes away without a signal: the interface ends, and does not run on unseen."""

import os
import pty
import subprocess
import time

import pytest

from tests.tools import argv, environment
from tests.tui.nights import Wish, build

pytestmark = pytest.mark.skipif(os.name != "posix", reason="terminals are POSIX ones here")
STARTED_S, ENDED_S = 60.0, 30.0


def started(home):
    """Start the review in a terminal of its own, that no shell minds; gives both."""
    build(home / "night.sqlite", Wish(nights=1, frames=8)).dispose()
    terminal, end = pty.openpty()
    # A session without a controlling terminal: nobody tells it that this one hung up.
    run = subprocess.Popen(
        argv("review"),
        stdin=end, stdout=end, stderr=end, start_new_session=True,
        env=environment(home, RUNLOG_DB=str(home / "night.sqlite"), TERM="xterm-256color"),
    )  # fmt: skip
    os.close(end)
    return run, terminal


def read_until(terminal: int, word: bytes, within_s: float) -> bytes:
    """Read what is painted until a word comes."""
    seen, until = b"", time.monotonic() + within_s
    while word not in seen and time.monotonic() < until:
        seen += os.read(terminal, 65_536)
    return seen


@pytest.mark.parametrize("after_s", [0.2, 0.6, 1.0, 1.5])
def test_it_ends_as_well_when_that_is_while_it_starts(tmp_path, after_s):
    """Guards the seconds of starting: nobody may be left who waits for a first key for ever."""
    run, terminal = started(tmp_path)
    try:
        time.sleep(after_s)
        os.close(terminal)
        run.wait(ENDED_S)
    finally:
        run.kill()
        run.wait()


def test_the_interface_ends_when_its_terminal_hangs_up(tmp_path):
    """Guards a process that reads nothing for ever, at the cost of a core."""
    run, terminal = started(tmp_path)
    try:
        assert b"night" in read_until(terminal, b"night", STARTED_S)
        time.sleep(2)
        assert run.poll() is None
        os.close(terminal)
        run.wait(ENDED_S)
    finally:
        run.kill()
        run.wait()


def test_without_a_terminal_it_says_so(tmp_path):
    """In a pipe it paints nothing, and names what a script can use."""
    build(tmp_path / "night.sqlite", Wish(nights=1, frames=8)).dispose()
    env = environment(tmp_path, RUNLOG_DB=str(tmp_path / "night.sqlite"))
    done = subprocess.run(
        argv("review"), stdin=subprocess.DEVNULL, capture_output=True, text=True, env=env,
        timeout=ENDED_S, check=False,
    )  # fmt: skip
    assert done.returncode == 3
    assert "wants a terminal" in done.stderr
    assert done.stdout == ""
