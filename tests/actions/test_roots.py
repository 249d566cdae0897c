"""Files keep their frames wherever their disk is plugged in and whichever machine scans them."""

import os
import shutil
from itertools import permutations

import pytest

from runlog.actions.open import open_store
from runlog.actions.roots import list_roots, map_root
from runlog.actions.scan import scan
from runlog.config import Settings
from runlog.core.frame import Kind
from runlog.errors import UsageError
from tests.tools import (
    content,
    here,
    logged_s,
    moment,
    noise,
    rows,
    runlog_json,
    scan_into,
    write_frame,
    write_run,
)

pytestmark = pytest.mark.both_databases


def on(machine, monkeypatch):
    """Go to another machine."""
    monkeypatch.setenv("RUNLOG_MACHINE", machine)


def roots_of(database):
    """List the roots, with what of them is here, as name -> line."""
    engine = open_store(str(database), Settings())
    try:
        return {line.name: line for line in list_roots(engine)}
    finally:
        engine.dispose()


def mapped(database, name, folder):
    """Say where a root is now."""
    engine = open_store(str(database), Settings())
    try:
        return map_root(engine, Settings(), name, os.fsencode(folder))
    finally:
        engine.dispose()


def all_read(report):
    """Count the files that a scan read, whatever they turned out to be."""
    names = ("new", "moved", "duplicate", "rewritten", "remeasured")
    return sum(getattr(report, name) for name in names) + len(report.failed)


def test_a_disk_plugged_in_elsewhere_is_not_read_again(tmp_path, database):
    """One `roots map`, and a scan knows every file; nothing else has changed."""
    write_run(tmp_path / "disk" / "nights", 3)
    (tmp_path / "disk" / "nights" / "bad.fits").write_bytes(b"no")
    scan_into(database, tmp_path / "disk" / "nights")
    before = content(database)
    os.rename(tmp_path / "disk", tmp_path / "disk1")
    report = scan_into(database)
    assert (report.missing, report.away, logged_s(database)) == (0, 3, 900)
    done = mapped(database, "nights", tmp_path / "disk1" / "nights")
    assert done.files == 4
    report = scan_into(database)
    assert (all_read(report) - len(report.failed), report.unchanged, report.missing) == (0, 3, 0)
    after = content(database)
    assert {name: rows for name, rows in after.items() if name != "file"} == {
        name: rows for name, rows in before.items() if name != "file"
    }
    start = os.fsencode(tmp_path / "disk1")
    assert all(path.startswith(start) and not missing for path, _, missing, _ in after["file"])


def test_roots_of_one_disk_move_together(tmp_path, database):
    """Nights scanned one by one lie on one disk: mapping one of them finds the others."""
    for n, night in enumerate(("2026-10-09", "2026-10-10", "2026-10-11")):
        write_run(tmp_path / "usb" / night, 1, first=n)
        scan_into(database, tmp_path / "usb" / night)
    write_run(tmp_path / "usb-other" / "night", 1, first=7)
    scan_into(database, tmp_path / "usb-other" / "night")
    os.rename(tmp_path / "usb", tmp_path / "stick")
    done = mapped(database, "2026-10-10", tmp_path / "stick" / "2026-10-10")
    assert sorted(name for name, _ in done.along) == ["2026-10-09", "2026-10-11"]
    report = scan_into(database)
    assert (all_read(report), report.unchanged, report.missing) == (0, 4, 0)


def test_two_machines_with_one_share(tmp_path, database, monkeypatch):
    """Machines that mount a share at different places store each file and exposure once."""
    write_run(tmp_path / "share", 3)
    (tmp_path / "elsewhere").mkdir()
    os.symlink(tmp_path / "share", tmp_path / "elsewhere" / "mounted")
    on("hut", monkeypatch)
    scan_into(database, tmp_path / "share")
    share = os.path.realpath(tmp_path / "share")
    os.rename(tmp_path / "share", tmp_path / "share-away")  # the other machine has no such path
    on("home", monkeypatch)
    (line,) = roots_of(database).values()
    assert (line.path, line.missing, line.machines) == (None, True, {"hut": share})
    os.unlink(tmp_path / "elsewhere" / "mounted")
    os.symlink(tmp_path / "share-away", tmp_path / "elsewhere" / "mounted")
    report = scan_into(database, tmp_path / "elsewhere" / "mounted")
    assert (all_read(report), report.unchanged) == (0, 3)
    write_run(tmp_path / "share-away", 2, first=3)
    report = scan_into(database)
    assert (report.new, report.unchanged) == (2, 3)
    on("hut", monkeypatch)
    os.rename(tmp_path / "share-away", tmp_path / "share")
    report = scan_into(database)
    assert (all_read(report), report.unchanged, report.missing) == (0, 5, 0)
    assert len(content(database)["file"]) == len(rows(database, "id")) == 5
    assert logged_s(database) == 1500
    (line,) = roots_of(database).values()
    assert line.machines == {"home": str(tmp_path / "elsewhere" / "mounted"), "hut": share}


def test_what_another_machine_has_is_not_gone(tmp_path, database, monkeypatch):
    """A machine without a root calls its files missing here, never gone, and counts them on."""
    write_run(tmp_path / "hut", 2)
    write_run(tmp_path / "home", 1, first=5)
    on("hut", monkeypatch)
    scan_into(database, tmp_path / "hut")
    os.rename(tmp_path / "hut", tmp_path / "hut-away")
    on("home", monkeypatch)
    assert scan_into(database, tmp_path / "home").missing == 0
    assert scan_into(database).missing == 0
    listed = runlog_json(tmp_path, "frames")["rows"]
    shown = [(row["path"], row["missing"]) for row in listed]
    assert shown == [
        ("hut:light_0000.fits", True),
        ("hut:light_0001.fits", True),
        (str(tmp_path / "home" / "light_0005.fits"), False),
    ]
    found = {row["text"]: row["well"] for row in runlog_json(tmp_path, "check")["rows"]}
    assert found["2 frames only on other machines"]
    assert not any("missing from disk" in text for text in found)
    assert len(runlog_json(tmp_path, "export")["rows"]) <= 1
    # They can be named as they are shown, one by one and by folder.
    assert here(tmp_path, "mark", "hut:light_0001.fits", "reject").returncode == 0
    done = here(tmp_path, "correct", "filter", "OIII", "--folder", "hut:")
    assert done.returncode == 0, done.stderr
    assert [r.filter for r in rows(database, "filter")] == ["OIII", "OIII", "L"]
    os.rename(tmp_path / "hut-away", tmp_path / "hut")
    os.rename(tmp_path / "home", tmp_path / "home-away")
    on("hut", monkeypatch)
    report = scan_into(database)
    assert (all_read(report), report.unchanged, report.missing) == (0, 2, 0)


def test_an_unplugged_disk_is_told_to_no_other_machine(tmp_path, database, monkeypatch):
    """Nothing of a root is there on one machine: the other still has it."""
    write_run(tmp_path / "share", 2)
    for machine in ("hut", "home"):
        on(machine, monkeypatch)
        scan_into(database, tmp_path / "share")
    for back in (False, True):  # a folder that is gone, a mount point that is empty
        os.rename(tmp_path / "share", tmp_path / "away")
        if back:
            (tmp_path / "share").mkdir()
        report = scan_into(database)
        assert (report.missing, report.away) == (0, 2)
        assert all(row["missing"] for row in runlog_json(tmp_path, "frames")["rows"])
        if back:
            (tmp_path / "share").rmdir()
        os.rename(tmp_path / "away", tmp_path / "share")
        on("hut", monkeypatch)
        assert not any(row["missing"] for row in runlog_json(tmp_path, "frames")["rows"])
        on("home", monkeypatch)
        report = scan_into(database)
        assert (all_read(report), report.missing) == (0, 0)
        assert not any(row["missing"] for row in runlog_json(tmp_path, "frames")["rows"])


@pytest.mark.parametrize("named", [["a"], ["a", "b"], ["."]])
def test_a_part_that_is_gone_is_no_disk_unplugged(tmp_path, database, named):
    """Guards a scan of a part, which knows of no other files of the root: they are still there."""
    for name in ("a", "b", "c"):
        write_run(tmp_path / "nights" / name, 2, first=10 * ord(name))
    scan_into(database, tmp_path / "nights")
    for path in (tmp_path / "nights" / "a").iterdir():
        path.unlink()
    report = scan_into(database, *(tmp_path / "nights" / name for name in named))
    beside = {"a": 0, "b": 2, ".": 4}[named[-1]]
    assert (all_read(report), report.missing, report.unchanged) == (0, 2, beside)
    gone = [row["missing"] for row in runlog_json(tmp_path, "frames")["rows"]]
    assert gone == [True] * 2 + [False] * 4


def test_a_copy_in_another_root_is_not_measured_again(tmp_path, database):
    """What was read elsewhere is known by size and time of change, of however few files."""
    first, *_ = write_run(tmp_path / "nights", 3)
    scan_into(database, tmp_path / "nights")
    copied = tmp_path / "more" / "copy.fits"
    copied.parent.mkdir()
    shutil.copy2(first, copied)
    report = scan_into(database, tmp_path / "more")
    assert (report.new, report.duplicate) == (0, 1)
    assert logged_s(database) == 3 * 300


def test_another_host_name_changes_nothing(tmp_path, database, monkeypatch):
    """A machine that has the same folders under another name knows them without a word."""
    write_run(tmp_path / "nights", 2)
    on("laptop", monkeypatch)
    scan_into(database, tmp_path / "nights")
    on("laptop.home", monkeypatch)
    assert [row["missing"] for row in runlog_json(tmp_path, "frames")["rows"]] == [False] * 2
    report = scan_into(database)
    assert (all_read(report), report.unchanged) == (0, 2)
    # Another disk at the same place is not taken for it.
    shutil.rmtree(tmp_path / "nights")
    write_run(tmp_path / "nights", 2, first=7)
    on("third", monkeypatch)
    assert [row["missing"] for row in runlog_json(tmp_path, "frames")["rows"]] == [True] * 2
    assert scan_into(database, tmp_path / "nights").new == 2
    assert sorted(roots_of(database)) == ["nights", "nights 2"]


def nested(folder):
    """Write frames in a folder, in one inside it, and in one inside that."""
    write_run(folder, 1)
    write_run(folder / "b", 1, first=1)
    write_run(folder / "b" / "darks", 1, first=2, IMAGETYP=None, OBJECT=None)
    return folder, folder / "b", folder / "b" / "darks", folder / "b" / "light_0001.fits"


@pytest.mark.parametrize("order", [*permutations(range(4))][::5])
def test_folders_in_folders_in_any_order(tmp_path, database, order):
    """Outer, inner and single file in any order: each read once, one root, the same rows."""
    places = nested(tmp_path / "a")
    read = sum(all_read(scan_into(database, places[i])) for i in order)
    assert read == 3
    assert all_read(scan_into(database)) == 0
    (line,) = roots_of(database).values()
    assert (line.name, line.files) == ("a", 3)
    whole = tmp_path / "whole.sqlite"
    scan_into(whole, places[0])
    assert content(database) == content(whole)


def test_a_folder_beside_single_files_is_a_root_of_its_own(tmp_path, database):
    """A plain scan looks at folders that were named, not at all that lies around a single file."""
    single = write_frame(tmp_path / "a" / "one.fits", noise(1), DATE__OBS=moment(0))
    scan_into(database, single)
    write_run(tmp_path / "a" / "night", 1, first=4)
    scan_into(database, tmp_path / "a" / "night" / "light_0004.fits")
    scan_into(database, tmp_path / "a" / "night")
    write_run(tmp_path / "a" / "private", 1, first=6)
    assert all_read(scan_into(database)) == 0
    assert {name: line.files for name, line in roots_of(database).items()} == {"a": 1, "night": 1}


def test_an_inner_root_that_another_machine_has_stays(tmp_path, database, monkeypatch):
    """The other machine has only the inner folder: it keeps its name, and its files."""
    write_run(tmp_path / "a" / "b", 2)
    write_run(tmp_path / "a", 1, first=5)
    os.symlink(tmp_path / "a" / "b", tmp_path / "share")
    on("hut", monkeypatch)
    scan_into(database, tmp_path / "share")
    on("home", monkeypatch)
    mapped(database, "share", tmp_path / "a" / "b")
    report = scan_into(database, tmp_path / "a")
    assert (report.new, report.unchanged) == (1, 2)
    assert {name: line.files for name, line in roots_of(database).items()} == {"a": 1, "share": 2}
    on("hut", monkeypatch)
    assert all_read(scan_into(database, tmp_path / "share")) == 0


def test_a_disk_that_was_scanned_before_it_was_mapped(tmp_path, database):
    """Copies are known by their pixels; mapping then makes one root of both, each file once."""
    write_run(tmp_path / "usb" / "nights", 2)
    scan_into(database, tmp_path / "usb" / "nights")
    os.rename(tmp_path / "usb", tmp_path / "stick")
    report = scan_into(database, tmp_path / "stick" / "nights")
    assert (report.moved, report.new) == (2, 0)
    assert sorted(roots_of(database)) == ["nights", "nights 2"]
    done = mapped(database, "nights", tmp_path / "stick" / "nights")
    assert done.now_part_of == (("nights 2", "nights"),)
    report = scan_into(database)
    assert (all_read(report), report.unchanged, report.missing) == (0, 2, 0)
    assert len(content(database)["file"]) == 2
    assert logged_s(database) == 600


def test_names_of_folders_tell_the_same_on_each_machine(tmp_path, database, monkeypatch):
    """A header without a kind: the folder it lay in first tells, not where a machine mounts it."""
    folder = tmp_path / "Darks"
    write_frame(folder / "silent.fits", noise(1), IMAGETYP=None, OBJECT=None, FILTER=None)
    on("hut", monkeypatch)
    scan_into(database, folder)
    assert [r.kind for r in rows(database, "kind")] == [Kind.DARK]
    os.rename(folder, tmp_path / "Flats")
    on("home", monkeypatch)
    mapped(database, "Darks", tmp_path / "Flats")
    path = tmp_path / "Flats" / "silent.fits"
    write_frame(path, noise(1), IMAGETYP=None, OBJECT=None, FILTER=None, REMARK="written again")
    assert scan_into(database).rewritten == 1
    assert [r.kind for r in rows(database, "kind")] == [Kind.DARK]


def test_a_folder_that_holds_nothing_of_a_root_is_refused(tmp_path, database):
    """A mistyped folder is no place for a root, nor is one that does not exist."""
    write_run(tmp_path / "nights", 1)
    scan_into(database, tmp_path / "nights")
    (tmp_path / "empty").mkdir()
    before = roots_of(database)
    for name, folder in (("nights", "empty"), ("nights", "no"), ("no", "nights")):
        with pytest.raises(UsageError):
            mapped(database, name, tmp_path / folder)
    assert roots_of(database) == before


def test_names_of_files_are_any_bytes(tmp_path, database):
    """A name that is not UTF-8 is a file like others, below a root whose folder has such a name."""
    folder = os.fsencode(tmp_path) + b"/\xff nights"
    os.mkdir(folder)
    source = write_frame(tmp_path / "x.fits", noise(1))
    os.rename(source, folder + b"/\xfe.fits")
    engine = open_store(str(database), Settings())
    assert scan(engine, Settings(), [folder], workers=1).new == 1
    assert scan(engine, Settings(), [folder], workers=1).unchanged == 1
    engine.dispose()
    (line,) = roots_of(database).values()
    assert line.name == "_ nights"
    ((path, *_),) = content(database)["file"]
    assert path == folder + b"/\xfe.fits"


def test_a_time_of_change_told_to_fewer_digits(tmp_path, database):
    """A share that cuts times to a second or 100 ns has not changed every file; a change counts."""
    (path,) = write_run(tmp_path / "share", 1)
    exact = 1_760_000_000_123_456_789
    os.utime(path, ns=(exact, exact))
    scan_into(database, tmp_path / "share")
    for cut in (exact // 10**9 * 10**9, exact // 100 * 100):
        os.utime(path, ns=(cut, cut))
        assert all_read(scan_into(database)) == 0
    for other in (exact + 10**9, exact + 1, exact // 10**9 * 10**9 - 10**9):
        os.utime(path, ns=(other, other))
        assert scan_into(database).rewritten == 1
