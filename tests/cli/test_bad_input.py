"""Bad input through the command: a clear line for that file, exit code 1, the rest stored."""

import contextlib
import gzip
import os
import shutil
import subprocess
import time

import numpy as np
import psutil
import pytest
from astropy.io import fits

from tests.tools import (
    argv,
    environment,
    header_of,
    here,
    logged_s,
    moment,
    noise,
    rows,
    runlog,
    runlog_json,
    scan_into,
    write_frame,
    write_run,
)

# Root may read anything; without these capabilities even root obeys permissions.
OBEY = ["setpriv", "--bounding-set=-dac_override,-dac_read_search"]
needs_obedience = pytest.mark.skipif(
    os.geteuid() == 0
    and (shutil.which("setpriv") is None or subprocess.run([*OBEY, "true"]).returncode != 0),
    reason="root reads everything here",
)


def obedient(home, *words, **env):
    """Run the command as somebody whom permissions bind."""
    prefix = OBEY if os.geteuid() == 0 else []
    environ = environment(home, RUNLOG_DB=str(home / "night.sqlite"), **env)
    return subprocess.run(
        [*prefix, *argv(*words)], env=environ, capture_output=True, text=True, timeout=60
    )


@pytest.fixture(scope="module")
def scanned(tmp_path_factory):
    """Scan four good frames among one of every kind of bad file."""
    home = tmp_path_factory.mktemp("bad")
    folder = home / "frames"
    good = write_run(folder, 4)
    raw = good[0].read_bytes()
    (folder / "picture.fits").write_bytes(b"\xff\xd8\xff" + bytes(4000))
    (folder / "empty.fits").touch()
    (folder / "cut.fits").write_bytes(raw[:-4000])
    (folder / "half.fits.gz").write_bytes(gzip.compress(raw)[:-1000])
    fits.PrimaryHDU(np.arange(3000, dtype=np.int16), header_of({})).writeto(folder / "row.fits")
    fits.PrimaryHDU(np.ones((2, 5, 9, 9), np.int16), header_of({})).writeto(folder / "deep.fits")
    (folder / "loop.fits").symlink_to(folder / "loop.fits")
    (folder / "up").symlink_to(home)
    write_frame(folder / "undated.fits", noise(70), DATE__OBS=None)
    write_frame(folder / "timeless.fits", noise(71), EXPTIME=None)
    nan = noise(72).astype(np.float32)
    nan[::2] = np.nan
    write_frame(folder / "nan.fits", nan, DATE__OBS="2026-10-10T01:00:00", CALSTAT=None)
    write_frame(folder / "black.fits", noise() * 0, DATE__OBS="2026-10-10T01:10:00")
    os.rename(good[3], os.fsencode(folder) + b"/\xfcmlaut.fits")
    with open(os.fsencode(folder) + b"/schl\xe4cht.fits", "wb") as file:
        file.write(b"no")
    return home, runlog(home, "scan", folder)


def test_exit_code_and_summary(scanned):
    """Some failed: exit code 1, nothing on stdout, and the counts on one line."""
    _, done = scanned
    assert done.returncode == 1
    assert done.stdout == ""
    assert "8 new" in done.stderr
    assert "7 failed" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("picture.fits", "is not FITS"),
        ("empty.fits", "is empty"),
        ("cut.fits", "is cut short"),
        ("half.fits.gz", "corrupt"),
        ("row.fits", "single row"),
        ("deep.fits", "stack of 5 x 2 planes"),
        ("loop.fits", "symbolic links"),
        ("undated.fits", "no date"),
        ("timeless.fits", "no exposure time"),
        ("schl\\xe4cht.fits", "is not FITS"),
    ],
)
def test_each_bad_file_has_its_line(scanned, name, reason):
    """One line names the file and the reason."""
    _, done = scanned
    (line,) = [line for line in done.stderr.splitlines() if f"{name}:" in line]
    assert reason in line


def test_every_other_frame_is_stored(scanned):
    """Good, undated, timeless, black and half-empty frames are stored; rubbish is not."""
    home, _ = scanned
    body = runlog_json(home, "frames")
    names = {os.path.basename(row["path"]) for row in body["rows"]}
    assert {"undated.fits", "timeless.fits", "nan.fits", "black.fits"} <= names
    assert os.fsdecode(b"\xfcmlaut.fits") in names
    assert len(names) == 8
    timeless = next(r for r in body["rows"] if r["path"].endswith("timeless.fits"))
    assert timeless["exposure_s"] is None
    assert timeless["grade"] == "ungraded"
    assert timeless["note"]


def test_unreadable_files_are_listed_with_their_reason(scanned):
    """`frames --fault unreadable` lists what could not be read; `check` names a cure."""
    home, _ = scanned
    body = runlog_json(home, "frames", "--fault", "unreadable")
    assert len(body["rows"]) == 7
    assert all(row["error"] and row["evidence"]["unreadable"] for row in body["rows"])
    assert "is cut short" in here(home, "check").stdout


def test_the_next_scan_says_the_same(scanned):
    """Bad files are named again, not forgotten: exit code 1 until they are dealt with."""
    home, _ = scanned
    done = here(home, "scan", home / "frames")
    assert done.returncode == 1
    assert "0 new, 8 unchanged, 7 failed" in done.stderr


def test_a_repaired_file_is_read(frames, database):
    """A file that was still being written when scanned is read once it is whole."""
    path = write_frame(frames / "a.fits", noise())
    whole = path.read_bytes()
    path.write_bytes(whole[:5000])
    assert len(scan_into(database, frames).failed) == 1
    path.write_bytes(whole)
    report = scan_into(database, frames)
    assert (report.new, report.failed) == (1, [])
    assert logged_s(database) == 300


def test_a_fault_of_runlog_is_tried_again(frames, database, monkeypatch):
    """A frame that a bug, or want of memory, kept out comes in with the next scan."""
    write_frame(frames / "a.fits", noise())
    with monkeypatch.context() as broken:
        broken.setattr("runlog.ingest.read.measure_frame", lambda *_a, **_k: 1 / 0)
        assert len(scan_into(database, frames).failed) == 1
    report = scan_into(database, frames)
    assert (report.new, report.failed) == (1, [])


def test_a_frame_that_becomes_unreadable_still_counts(frames, database):
    """A frame whose file is damaged later keeps its grade and time; the damage is named."""
    path = write_frame(frames / "a.fits", noise())
    scan_into(database, frames)
    path.write_bytes(path.read_bytes()[:-3000])
    report = scan_into(database, frames)
    assert len(report.failed) == 1
    assert logged_s(database) == 300


@needs_obedience
def test_an_unreadable_folder_and_file(tmp_path):
    """No permission: named, exit code 1, the others stored; readable later, read later."""
    folder, locked = tmp_path / "frames", tmp_path / "frames" / "locked"
    write_run(folder / "open", 3)
    for i in (7, 8):
        write_frame(locked / f"{i}.fits", noise(i), DATE__OBS=moment(i * 400))
    single = write_frame(folder / "x.fits", noise(9), DATE__OBS=moment(9000))
    locked.chmod(0)
    single.chmod(0)
    done = obedient(tmp_path, "scan", str(folder))
    assert done.returncode == 1, done.stderr
    assert done.stderr.count("Permission denied") == 2
    assert len(rows(tmp_path / "night.sqlite", "id")) == 3
    locked.chmod(0o755)
    single.chmod(0o644)
    done = obedient(tmp_path, "scan", str(folder))
    assert done.returncode == 0, done.stderr
    assert "3 new, 3 unchanged" in done.stderr


@needs_obedience
def test_a_locked_folder_is_not_missing(tmp_path):
    """Frames in a folder that cannot be read just now are not called missing."""
    write_run(tmp_path / "frames" / "night", 2)
    obedient(tmp_path, "scan", str(tmp_path / "frames"))
    (tmp_path / "frames" / "night").chmod(0)
    done = obedient(tmp_path, "scan", str(tmp_path / "frames"))
    (tmp_path / "frames" / "night").chmod(0o755)
    assert done.returncode == 1
    assert "missing" not in done.stderr


def test_a_folder_that_is_not_there(tmp_path):
    """A mistyped folder is wrong usage: exit code 2, and nothing is remembered."""
    done = here(tmp_path, "scan", tmp_path / "nowhere")
    assert done.returncode == 2
    assert str(tmp_path / "nowhere") in done.stderr
    assert here(tmp_path, "scan").returncode == 2


def kill_workers(parent, most, until):
    """Kill workers of a scan from outside until `most` have died or it has ended."""
    killed = 0
    while parent.poll() is None and killed < most and time.monotonic() < until:
        scan = psutil.Process(parent.pid)
        for child in scan.children(recursive=True):
            with contextlib.suppress(psutil.NoSuchProcess):
                if killed < most and child.nice() > scan.nice():  # workers are at low priority
                    child.kill()
                    killed += 1
        time.sleep(0.02)
    return killed


def test_a_worker_that_dies(tmp_path):
    """A worker killed from outside costs no frame: its files are read again."""
    write_run(tmp_path / "frames", 40)
    env = environment(tmp_path, RUNLOG_DB=str(tmp_path / "night.sqlite"))
    command = argv("scan", str(tmp_path / "frames"), "--workers", "2")
    with subprocess.Popen(command, env=env, stderr=subprocess.PIPE, text=True) as parent:
        killed = kill_workers(parent, 1, time.monotonic() + 20)
        _, said = parent.communicate(timeout=60)
    assert killed == 1
    assert parent.returncode == 0, said
    assert len(rows(tmp_path / "night.sqlite", "id")) == 40
