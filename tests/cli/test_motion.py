"""Files that move, vanish or are no files at all: a scan ends, counts once and loses nothing."""

import contextlib
import json
import os
import shutil
import socket
import subprocess
from pathlib import Path

import pytest

from runlog.actions.open import open_store
from runlog.actions.scan import scan
from runlog.actions.scan_report import Progress
from runlog.config import Settings
from tests.cli.test_bad_input import needs_obedience, obedient
from tests.moving import SCRIPTS, run
from tests.opened import Writes
from tests.tools import argv, environment, logged_s, runlog, runlog_json, write_run

on_posix = pytest.mark.skipif(os.name != "posix", reason="pipes and modes are POSIX's")


@on_posix
@pytest.mark.parametrize("seed", [1, 2])
def test_what_moves_is_counted_once(tmp_path: Path, seed: int) -> None:
    """One file of each kind moves at random moments of a scan; two later scans set all right."""
    trial = run(tmp_path, seed, list(SCRIPTS))
    assert trial.broken == []
    assert trial.tried.total() == len(SCRIPTS)


def test_writes_are_seen(tmp_path: Path) -> None:
    """What the other tests rest on: who opens a file to write, and writes nothing, is seen."""
    file = tmp_path / "inner" / "a"
    file.parent.mkdir()
    file.touch()
    with Writes([tmp_path]) as reading:
        file.read_bytes()
    with Writes([tmp_path]) as writing:
        file.open("r+b").close()
    assert (bool(reading.seen), bool(writing.seen)) == (False, True)


@pytest.mark.skipif(shutil.which("strace") is None, reason="no strace here")
def test_originals_are_never_opened_to_write(tmp_path: Path) -> None:
    """By the system's own account, frames are opened read-only in a scan and what follows."""
    folder, trace = tmp_path / "frames", tmp_path / "trace"
    write_run(folder, 4)
    for words in (("scan", folder), ("mark", "reject", folder / "light_0001.fits"), ("night",)):
        done = subprocess.run(
            ["strace", "-f", "-qq", "-e", "trace=open,openat,openat2,creat,truncate,rename,unlink",
             "-o", trace, *argv(*words)],
            env=environment(tmp_path, RUNLOG_DB=str(tmp_path / "n.sqlite")), cwd=tmp_path,
            capture_output=True, text=True, timeout=300,
        )  # fmt: skip
        if "ptrace" in done.stderr:
            pytest.skip("processes cannot be traced here")
        lines = [line for line in trace.read_text(errors="replace").splitlines()
                 if str(folder) in line]  # fmt: skip
        assert lines or words[0] != "scan"
        assert [line for line in lines if "O_RDONLY" not in line] == []


@on_posix
def test_what_is_no_file(tmp_path: Path) -> None:
    """Pipes, sockets, devices and links in circles are named; links to elsewhere are followed."""
    folder, outside = tmp_path / "frames", tmp_path / "outside"
    write_run(folder, 2)
    write_run(outside, 2, first=5)
    os.mkfifo(folder / "pipe.fits")
    with socket.socket(socket.AF_UNIX) as plug, contextlib.chdir(folder):
        plug.bind("socket.fits")
    (folder / "zero.fits").symlink_to("/dev/zero")
    (folder / "up").symlink_to(folder)
    (folder / "circle").symlink_to("circle")
    (folder / "a_file.fits").symlink_to(outside / "light_0005.fits")
    (folder / "a_folder").symlink_to(outside)
    for new in (4, 0):
        said = runlog_json(tmp_path, "scan", folder, code=1)
        failed = {Path(f["path"]).name: f["error"] for f in said["failed"]}
        assert said["new"] == new
        assert failed == dict.fromkeys(("pipe.fits", "socket.fits", "zero.fits"), "is not a file")
        assert [Path(p["path"]).name for p in said["problems"]] == ["circle"]
    assert logged_s(tmp_path / "night.sqlite") == 4 * 300.0


@on_posix
def test_two_thousand_folders_deep(tmp_path: Path) -> None:
    """Frames at the bottom are found while the system can name them; else their folder is named."""
    folder = tmp_path / "frames"
    original = write_run(folder, 1)[0]
    here = os.getcwd()
    for name, at in (("d", 1200), ("long-named", 600)):
        os.chdir(folder)
        for _ in range(at):
            os.mkdir(name)
            os.chdir(name)
        shutil.copy(original, "same.fits")
    os.chdir(here)
    said = runlog_json(tmp_path, "scan", folder, code=1)
    assert (said["new"], said["duplicate"]) == (1, 1)
    (problem,) = said["problems"]
    assert "File name too long" in problem["error"]
    subprocess.run(["rm", "-rf", folder], check=True)


@needs_obedience
def test_what_may_not_be_looked_at_is_not_gone(tmp_path: Path) -> None:
    """A folder closed in three ways and a closed file are named; nothing of them is missing."""
    folder = tmp_path / "frames"
    for i, name in enumerate(("open", "closed", "listed_only", "unlisted")):
        write_run(folder / name, 2, first=10 * i)
    assert obedient(tmp_path, "scan", folder).returncode == 0
    modes = {"closed": 0, "listed_only": 0o444, "unlisted": 0o111, "open/light_0000.fits": 0}
    for name, mode in modes.items():
        (folder / name).chmod(mode)
    os.utime(folder / "open/light_0000.fits")
    done = obedient(tmp_path, "scan", folder, "--json")
    for name in modes:
        (folder / name).chmod(0o755)
    said = json.loads(done.stdout)
    assert (done.returncode, said["missing"], said["new"]) == (1, 0, 0)
    named = {Path(p["path"]).relative_to(folder).parts[0] for p in said["problems"]}
    assert named == {"closed", "listed_only", "unlisted"}
    assert all("Permission denied" in p["error"] for p in said["problems"] + said["failed"])
    assert logged_s(tmp_path / "night.sqlite") == 8 * 300.0
    assert obedient(tmp_path, "scan", folder).returncode == 0


@needs_obedience
def test_a_closed_folder_is_not_called_absent(tmp_path: Path) -> None:
    """Whoever may not look into a folder is not told that it does not exist."""
    write_run(tmp_path / "closed" / "inner", 1)
    (tmp_path / "closed").chmod(0)
    done = obedient(tmp_path, "scan", tmp_path / "closed" / "inner")
    (tmp_path / "closed").chmod(0o755)
    assert done.returncode == 2
    assert "Permission denied" in done.stderr
    assert "no such" not in done.stderr


@on_posix
def test_workers_that_cannot_start_are_told_in_words(tmp_path: Path) -> None:
    """Without the right to run Python again, a scan says so and stores nothing by halves."""
    write_run(tmp_path / "frames", 4)
    code = (
        "import sys, runlog.cli; sys.executable = '/nowhere/python';"
        "sys.argv = ['runlog', *sys.argv[1:]]; runlog.cli.main()"
    )
    words = [argv()[0], "-c", code, "scan", str(tmp_path / "frames"), "--workers", "2"]
    env = environment(tmp_path, RUNLOG_DB=str(tmp_path / "night.sqlite"))
    done = subprocess.run(words, env=env, capture_output=True, text=True, timeout=120)
    assert done.returncode == 3, done.stderr
    assert "No process can be started" in done.stderr
    assert "Traceback" not in done.stderr
    assert runlog(tmp_path, "scan", tmp_path / "frames").returncode == 0


def test_thousands_of_files_that_are_no_frames(tmp_path: Path) -> None:
    """They cost a word of progress each few hundred and one line in the end; Ctrl-C is heard."""
    folder = tmp_path / "frames"
    write_run(folder, 1)
    for i in range(3000):
        (folder / f"frame.{i:06d}").touch()
        os.truncate(folder / f"frame.{i:06d}", 300_000)
    engine, told = open_store(str(tmp_path / "night.sqlite"), Settings()), []
    scan(engine, Settings(), [os.fsencode(folder)], report=told.append)
    assert max(p.done for p in told if p.stage == "looking") > 2500
    stopped: list[Progress] = []
    result = scan(
        engine, Settings(), [os.fsencode(folder)],
        report=stopped.append, stop=lambda: bool(stopped),
    )  # fmt: skip
    engine.dispose()
    assert result.interrupted
    assert max(p.done for p in stopped if p.stage == "looking") < 500
    done = runlog(tmp_path, "scan", folder)
    assert "not FITS, not read: 3000 numbered" in done.stderr
    assert len(done.stderr.splitlines()) < 5


@on_posix
def test_a_disk_unplugged_during_a_scan(tmp_path: Path) -> None:
    """The folder goes while it is read: the scan ends in words, and finds all when it is back."""
    folder, away = tmp_path / "disk", tmp_path / "away"
    write_run(folder, 30)
    first = runlog(tmp_path, "scan", folder / "light_0000.fits")
    assert first.returncode == 0
    environ = environment(tmp_path, RUNLOG_DB=str(tmp_path / "night.sqlite"))
    with subprocess.Popen(argv("scan", folder, "--workers", "2"), env=environ, cwd=tmp_path,
                          stderr=subprocess.PIPE, text=True) as process:  # fmt: skip
        with contextlib.suppress(subprocess.TimeoutExpired):
            process.wait(0.9)
        os.replace(folder, away)
        assert process.stderr is not None
        said = process.stderr.read()
    assert process.returncode in (0, 1, 2)
    assert "Traceback" not in said
    gone = runlog(tmp_path, "scan")
    assert "Traceback" not in gone.stderr
    os.replace(away, folder)
    assert runlog(tmp_path, "scan", folder).returncode == 0
    assert logged_s(tmp_path / "night.sqlite") == 30 * 300.0
    assert all(not row["missing"] for row in runlog_json(tmp_path, "frames")["rows"])
