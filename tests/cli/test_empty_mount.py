"""A folder without any file, of which files are known: a disk or share that is not mounted."""

import json
import os
import shutil

import pytest

from runlog.ingest.discover import is_empty
from tests.tools import here, runlog, runlog_json, scan_into, write_run

ASKED = "is empty here: is its disk or share mounted?"


@pytest.fixture
def disk(tmp_path):
    """Give a mount point with a disk of three frames, which were scanned."""
    write_run(tmp_path / "disk" / "night", 3)
    assert here(tmp_path, "scan", "disk").returncode == 0
    return tmp_path / "disk"


def taken_off(disk):
    """Leave the mount point as it is without its disk."""
    os.rename(disk, disk.with_name("taken off"))
    disk.mkdir()


def put_back(disk):
    """Have the disk where it was."""
    shutil.rmtree(disk)
    os.rename(disk.with_name("taken off"), disk)


def marked_missing(home):
    """Tell of each frame whether it is listed as not there."""
    return [row["missing"] for row in runlog_json(home, "frames")["rows"]]


@pytest.mark.both_databases
@pytest.mark.parametrize("named", [[], ["disk"]])
def test_an_empty_mount_point_is_asked_about(tmp_path, database, disk, named):
    """The real command: exit code 1 as of a folder that is not there, no word of missing frames."""
    taken_off(disk)
    done = runlog(tmp_path, "scan", *named)
    assert done.returncode == 1
    assert "0 new, 3 away" in done.stderr and "missing" not in done.stderr.splitlines()[0]
    assert f"problem: {disk}: {ASKED}" in done.stderr
    body = json.loads(here(tmp_path, "scan", *named, "--json").stdout)
    assert (body["missing"], body["away"], len(body["problems"])) == (3, 3, 1)
    put_back(disk)
    done = here(tmp_path, "scan")
    assert done.returncode == 0 and "0 new, 3 unchanged" in done.stderr
    assert marked_missing(tmp_path) == [False] * 3


def test_a_folder_that_was_emptied_on_purpose(tmp_path, disk):
    """What the sentence says is true: a file left in it, and its frames count as missing."""
    shutil.rmtree(disk / "night")
    asked = here(tmp_path, "scan").stderr
    assert "leave a file in it, such as emptied.txt: then its frames count as missing" in asked
    (disk / "emptied.txt").write_text("sold")
    done = here(tmp_path, "scan")
    assert done.returncode == 0 and "0 new, 3 missing" in done.stderr


def test_what_went_to_a_folder_that_is_scanned_is_not_asked_for(tmp_path, disk):
    """Archived frames have moved, and copied ones have a copy: none of them is sought."""
    (tmp_path / "archive").mkdir()
    os.rename(disk / "night", tmp_path / "archive" / "night")
    done = here(tmp_path, "scan", "disk", "archive")
    assert done.returncode == 0, done.stderr
    assert "3 moved" in done.stderr and "away" not in done.stderr
    assert here(tmp_path, "scan").returncode == 0


def test_some_files_that_are_there_make_the_others_missing(tmp_path, disk):
    """With one frame left, its disk is not taken off."""
    for path in sorted((disk / "night").iterdir())[1:]:
        path.unlink()
    done = here(tmp_path, "scan")
    assert done.returncode == 0 and "1 unchanged, 2 missing" in done.stderr


def test_the_last_frame_that_goes_leaves_an_empty_folder(tmp_path, disk):
    """The last frame deleted leaves the folder empty: then all of its frames are asked for."""
    write_run(disk, 1, first=9)
    shutil.rmtree(disk / "night")
    assert "1 new, 3 missing" in here(tmp_path, "scan").stderr
    (disk / "light_0009.fits").unlink()
    assert "4 away" in here(tmp_path, "scan").stderr


def test_a_root_inside_another(tmp_path, monkeypatch):
    """Of a share mounted in a folder that has files of its own only the share is away."""
    database = tmp_path / "night.sqlite"
    write_run(tmp_path / "nights", 1)
    write_run(tmp_path / "nights" / "share", 2, first=5)
    os.symlink(tmp_path / "nights" / "share", tmp_path / "seen by the other")
    monkeypatch.setenv("RUNLOG_MACHINE", "other")
    scan_into(database, tmp_path / "seen by the other")
    monkeypatch.setenv("RUNLOG_MACHINE", "home")
    assert here(tmp_path, "roots", "map", "seen by the other", "nights/share").returncode == 0
    scan_into(database, tmp_path / "nights")
    taken_off(tmp_path / "nights" / "share")
    for path in (tmp_path / "nights" / "taken off").iterdir():
        path.unlink()
    report = scan_into(database, tmp_path / "nights")
    assert (report.unchanged, report.missing, report.away) == (1, 0, 2)
    assert [path for path, _ in report.problems] == [os.fsencode(tmp_path / "nights" / "share")]


def test_a_part_and_single_files(tmp_path, disk):
    """An empty part of a root is no disk taken off; a file that is not there is wrong usage."""
    write_run(disk / "second", 1, first=7)
    assert here(tmp_path, "scan", "disk").returncode == 0
    shutil.rmtree(disk / "night")
    (disk / "night").mkdir()
    done = here(tmp_path, "scan", "disk/night")
    assert done.returncode == 0 and "3 missing" in done.stderr
    assert here(tmp_path, "scan", "disk/night/light_0000.fits").returncode == 2


def test_a_new_folder_without_files_is_no_trouble(tmp_path):
    """Guards the first scan of the folder that tonight's frames will go to."""
    (tmp_path / "tonight").mkdir()
    for _ in range(2):
        done = here(tmp_path, "scan", "tonight")
        assert done.returncode == 0
        assert "no FITS file lies there: is its disk or share mounted?" in done.stderr


@pytest.mark.parametrize(
    ("inside", "is_so"),
    [
        ([], True),
        (["lost+found/"], True),
        ([".Trash-1000/files/light.fits", ".keep"], True),
        (["2026/10/"], True),
        (["2026/10/note.txt"], False),
        (["light.fits"], False),
    ],
)
def test_what_an_empty_folder_may_hold(tmp_path, inside, is_so):
    """Folders, and what file systems put there by themselves, are no files of a person's."""
    for name in inside:
        path = tmp_path / name
        (path if name.endswith("/") else path.parent).mkdir(parents=True, exist_ok=True)
        if not name.endswith("/"):
            path.touch()
    assert is_empty(os.fsencode(tmp_path)) is is_so


def test_what_is_not_there_or_a_link_is_not_empty(tmp_path):
    """A link that leads back up would be walked for ever; a folder that is gone says nothing."""
    assert not is_empty(os.fsencode(tmp_path / "gone"))
    os.symlink(tmp_path, tmp_path / "up")
    assert not is_empty(os.fsencode(tmp_path))
