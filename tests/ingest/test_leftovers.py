"""What a killed scan leaves on disk and in shared memory goes with the next one."""

import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from runlog.ingest import leftovers
from tests.tools import ROOT, environment

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="nothing is left there")
HOLD = """
import multiprocessing, sys, time
from runlog.ingest.leftovers import claim
print(claim(), flush=True)
lock = multiprocessing.get_context("spawn").Lock()
print("ready", flush=True)
time.sleep(60)
"""


@pytest.fixture
def holder(tmp_path):
    """Start a process that has a folder and a semaphore as workers need them."""
    env = environment(tmp_path, TMPDIR=str(tmp_path))
    line = [sys.executable, "-c", HOLD]
    process = subprocess.Popen(
        line, env=env, cwd=ROOT, stdout=subprocess.PIPE, text=True, start_new_session=True
    )
    with process:
        yield process
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)


def test_only_what_nobody_holds_is_cleared(tmp_path, holder, monkeypatch):
    """A living scan keeps its folder and semaphores; those of a killed one are gone."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    folder = Path(holder.stdout.readline().strip())
    assert holder.stdout.readline() == "ready\n"
    shared = list(leftovers.SEMAPHORES.glob(f"sem.{folder.name}-*"))
    leftovers.clear()
    assert folder.is_dir()
    assert all(path.exists() for path in shared)
    os.killpg(holder.pid, signal.SIGKILL)
    holder.wait()
    leftovers.clear()
    assert not folder.exists()
    assert not any(path.exists() for path in shared)


def test_what_is_not_ours_stays(tmp_path, monkeypatch):
    """A link of that name, which another might have planted, is not followed."""
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    precious = tmp_path / "precious"
    precious.mkdir()
    (precious / "frame.fits").write_bytes(b"light")
    (tmp_path / f"{leftovers.PREFIX}planted").symlink_to(precious)
    leftovers.clear()
    assert [path.name for path in precious.iterdir()] == ["frame.fits"]
