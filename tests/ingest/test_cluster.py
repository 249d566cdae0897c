"""`scan --cluster`: real Dask processes read, and the client stores what they find."""

import os
import platform
import signal
import socket
import subprocess
import sys
import time
from contextlib import contextmanager, suppress

import psutil
import pytest

from runlog.errors import RunlogError
from runlog.ingest import cluster as module
from tests import tools
from tests.tools import argv, content, here, write_run

pytest.importorskip("distributed", reason="distributed is not installed here")
READY_S = 60.0
ME = platform.node()


def environment(daemon="False"):
    """Run workers as `runlog guide cluster` says."""
    return os.environ | {
        "DASK_DISTRIBUTED__WORKER__DAEMON": daemon,
        "OMP_NUM_THREADS": "1",
        "RUNLOG_MACHINE": ME,
    }


@contextmanager
def started(*words, folder, daemon="False"):
    """Start a process of the cluster; it and what it started ends with the test."""
    command = [sys.executable, "-m", "dask", *words]
    with open(folder / f"{words[0]}-{time.monotonic_ns()}.log", "wb") as log:
        run = subprocess.Popen(command, env=environment(daemon), stdout=log, stderr=log, cwd=folder)
    try:
        yield run
    finally:
        for one in [*children(run.pid), run]:
            with suppress(psutil.NoSuchProcess):
                one.kill()
        run.wait()


def children(pid):
    """List what a process started, and what that started."""
    with suppress(psutil.NoSuchProcess):
        return psutil.Process(pid).children(recursive=True)
    return []


def worker(address, folder, *more, daemon="False"):
    """Start a worker of one thread."""
    words = ("worker", address, "--nthreads", "1", "--no-dashboard", *more)
    scratch = str(folder / "scratch")
    return started(*words, "--local-directory", scratch, folder=folder, daemon=daemon)


@pytest.fixture(scope="module")
def address(tmp_path_factory):
    """Run a scheduler and two workers; gives the scheduler's address."""
    from distributed import Client

    folder = tmp_path_factory.mktemp("cluster")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    at = f"tcp://127.0.0.1:{port}"
    words = ("scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")
    with (
        started(*words, folder=folder),
        worker(at, folder),
        worker(at, folder),
        Client(at, timeout=READY_S, set_as_default=False) as client,
    ):
        client.wait_for_workers(2, timeout=READY_S)
        yield at


def scan(home, address, *words, code=0, **env):
    """Scan by the cluster; gives what is said."""
    mine = {"RUNLOG_MACHINE": ME} | env
    done = here(home, "scan", home / "frames", "--cluster", address, *words, env=mine)
    assert done.returncode == code, done.stderr
    return done.stderr


def test_a_cluster_finds_what_one_machine_finds(address, tmp_path):
    """Every value of every table is the same, a broken file too; again is only what is new."""
    for home in ("here", "there"):
        write_run(tmp_path / home / "frames", 6)
        (tmp_path / home / "frames" / "torn.fits").write_bytes(b"SIMPLE  =" + b" " * 3000)
    alone = here(tmp_path / "here", "scan", tmp_path / "here" / "frames", "--workers", "2")
    assert alone.returncode == 1
    told = scan(tmp_path / "there", address, code=1)
    assert "6 new, 1 failed" in told
    assert "encrypted" not in told  # nobody else reaches this machine's own address
    found = [content(tmp_path / home / "night.sqlite") for home in ("here", "there")]
    for tables in found:
        del tables["file"]  # they lie in other folders
    assert found[0] == found[1]
    assert "0 new, 6 unchanged" in scan(tmp_path / "there", address, code=1)


def test_files_whose_worker_is_killed_are_read_by_another(address, tmp_path):
    """kill -9 of a worker and its nanny in the middle: nothing is lost, nothing counted twice."""
    write_run(tmp_path / "frames", 14)
    with worker(address, tmp_path) as doomed:
        time.sleep(4.0)
        run = subprocess.Popen(
            argv("scan", tmp_path / "frames", "--cluster", address),
            env=tools.environment(tmp_path, RUNLOG_MACHINE=ME),
            stderr=subprocess.PIPE,
            text=True,
        )
        time.sleep(3.0)
        for one in [psutil.Process(doomed.pid), *children(doomed.pid)]:
            with suppress(psutil.NoSuchProcess):
                one.send_signal(signal.SIGKILL)
        _, told = run.communicate(timeout=300)
    assert run.returncode == 0, told
    assert "14 new" in told


def test_a_root_that_no_worker_has_is_said(address, tmp_path):
    """The file is no failure for ever: mapped on the worker's machine it is read."""
    write_run(tmp_path / "frames", 3)
    told = scan(tmp_path, address, code=1, RUNLOG_MACHINE="the client")
    assert "no worker has the root frames" in told
    assert "3 failed" in told
    map_it = ("roots", "map", "frames", tmp_path / "frames")
    assert here(tmp_path, *map_it, env={"RUNLOG_MACHINE": ME}).returncode == 0
    assert "3 new" in scan(tmp_path, address, RUNLOG_MACHINE="the client")


def test_a_worker_of_another_version_is_refused(address, tmp_path):
    """Guards numbers of two kinds in one database: refused before anything is read."""
    write_run(tmp_path / "frames", 3)
    older = tmp_path / "older.py"
    older.write_text("from runlog.ingest import remote\nremote.MEASURE_VERSION -= 1\n")
    with worker(address, tmp_path, "--preload", str(older), "--name", "older"):
        told = refused(tmp_path, address)
    assert "Workers of another version would give other numbers" in told


def refused(home, address):
    """Scan until a worker that just started has come, and is refused."""
    until = time.monotonic() + READY_S
    done = here(home, "scan", home / "frames", "--cluster", address)
    while done.returncode == 0 and time.monotonic() < until:
        (home / "night.sqlite").unlink()
        done = here(home, "scan", home / "frames", "--cluster", address)
    assert done.returncode == 3
    return done.stderr


def test_what_may_not_start_a_process_is_refused(address, tmp_path):
    """Guards a worker started otherwise than the guide says: told at once, with the cure."""
    write_run(tmp_path / "frames", 3)
    with worker(address, tmp_path, daemon="True"):
        told = refused(tmp_path, address)
    assert "DASK_DISTRIBUTED__WORKER__DAEMON=False" in told


def test_nobody_there_and_an_open_door_are_said(tmp_path, monkeypatch):
    """No scheduler: words and code 3. An address that others may reach: a warning first."""
    write_run(tmp_path / "frames", 3)
    monkeypatch.setattr(module, "WAIT_S", 0.5)
    told = scan(tmp_path, "tcp://127.0.0.1:9", code=3)
    assert "No scheduler answers" in told
    told = scan(tmp_path, "tcp://192.0.2.1:8786", code=3)  # of no machine: RFC 5737
    assert "not encrypted" in told
    assert "run code on every worker" in told


class Losing:
    """A client one of whose workers is lost while all are asked, so many times."""

    def __init__(self, times):
        self.times = times

    def run(self, *_):
        """Answer as distributed does: its CommClosedError is an OSError."""
        self.times -= 1
        if self.times >= 0:
            raise OSError("in <TCP (closed) Scheduler Broadcast>: Stream is closed")
        return {"tcp://here": "somebody"}


def test_a_worker_lost_while_all_are_asked_is_left_out(monkeypatch):
    """The others are asked once more; where that fails too, words say so."""
    monkeypatch.setattr(module, "LOST_S", 0.0)
    assert module._asked(Losing(1), "tcp://a", {}) == {"tcp://here": "somebody"}
    with pytest.raises(RunlogError, match="lost while they are asked"):
        module._asked(Losing(2), "tcp://a", {})
