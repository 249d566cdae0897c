"""The watch in one process: real files and databases, and a clock that is passed in."""

import gzip
import os
import threading
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from random import Random

import pytest

from runlog.actions import watch_machine
from runlog.actions.settle import settle_all
from runlog.actions.watch import SILENT_S, Voice, Watch
from runlog.actions.watch_frames import Settled
from runlog.config import Settings
from runlog.ingest.kept import Worker
from runlog.ingest.lookout import Look
from runlog.store.engine import reading, writing
from runlog.store.runs import all_runs, touch_runs
from runlog.store.settling import frames_of_run
from samples.maker.quick import make_run
from tests.tools import content, noise, scan_into, write_frame, written_out
from tests.watching import START, DrawnClock, Night, feed

STEP_S = 317.0


@pytest.fixture(scope="module")
def worker() -> Iterator[Worker]:
    """One worker for all tests: it takes a second to start."""
    with Worker() as worker:
        yield worker


@pytest.fixture(scope="module")
def drawn(tmp_path_factory) -> list[Path]:
    """Ten frames of one night, the last four trailed."""
    folder = tmp_path_factory.mktemp("drawn")
    make_run(folder, 10, size=(300, 400), overrides={i: {"fault": "trailed"} for i in range(6, 10)})
    return sorted(folder.iterdir())


@pytest.fixture
def night(tmp_path, worker) -> Iterator[Night]:
    """A watch over an empty folder."""
    night = Night(tmp_path, worker)
    yield night
    night.close()


def names(night: Night) -> list[str]:
    """Name the files told, in order."""
    return [os.fsdecode(os.path.basename(e.path)) for e in night.frames() if e.path]


def missing(night: Night) -> list[bool]:
    """Tell of each file whether it is known as not there."""
    return [bool(file[2]) for file in written_out(night.engine)["file"]]


def same_as_scan(night: Night, tmp_path: Path) -> bool:
    """Tell whether the database says what a plain scan of the same folder says."""
    scan_into(tmp_path / "plain.sqlite", night.folder)
    return content(tmp_path / "plain.sqlite") == content(night.database)


def test_a_watched_night_is_stored_as_a_scan_would(night, drawn, tmp_path):
    """Frame by frame or all at once: the same frames, grades, sums, headers, stars and files."""
    night.begin()
    feed(night, drawn, STEP_S)
    assert names(night) == [path.name for path in drawn]
    assert {e.grade for e in night.frames()[6:]} == {"reject"}
    assert same_as_scan(night, tmp_path)


def test_frames_in_any_order_are_stored_as_a_scan_would(night, drawn, tmp_path):
    """Settled one by one, out of order: to the last bit what settling all at once gives."""
    night.begin()
    feed(night, Random(1).sample(drawn, len(drawn)), STEP_S)
    assert same_as_scan(night, tmp_path)


def test_who_settled_a_run_has_its_frames_as_they_are_stored(night, drawn):
    """The look takes the frames from the settling before it: they are what reading gives."""
    night.begin()
    feed(night, drawn[3:], STEP_S)
    scan_into(night.database, drawn[0].parent)  # by nobody who looks on
    settled = Settled()
    with writing(night.engine) as connection:
        (run,) = all_runs(connection)
        assert settled.of(run) is None
        touch_runs(connection, [run.id])
    settle_all(night.engine, Settings(), moves=settled)
    with reading(night.engine) as connection:
        (run,) = all_runs(connection)
        assert len(settled.of(run).after) == len(drawn)
        assert settled.of(run).after == frames_of_run(connection, run.id)
        assert settled.of(replace(run, revision=run.revision + 1)) is None


def test_a_file_is_taken_when_it_rests_and_is_whole(night, drawn):
    """Half written it waits, however long a pause the writer makes; whole it is taken in seconds.

    A length by the header: FITS standard 4.0, section 4.4.1.
    """
    night.begin()
    night.put(drawn[0], part=0.5)
    night.wait(30)
    night.put(drawn[0], part=0.9)
    night.wait(30)
    assert not night.told
    night.put(drawn[0])
    night.wait(8)
    (frame,) = night.frames()
    assert frame.grade is not None and 2 <= frame.latency_s <= 8


def test_room_made_for_a_file_is_no_file(night, drawn):
    """Guards a writer that makes room first: as long as it should be, and nothing in it yet."""
    night.begin()
    whole = drawn[0].read_bytes()
    path = night.folder / "room.fits"
    path.write_bytes(whole[:5760].ljust(len(whole), b"\0"))
    night.touch(path)
    night.wait(30)
    assert not night.told
    path.write_bytes(whole)
    night.touch(path)
    night.wait(8)
    assert len(night.frames()) == 1


def test_a_packed_file_that_ends_early_is_tried_again(night, drawn, tmp_path):
    """Only reading tells that a .gz is not whole: it is no failure until it has rested long."""
    packed = tmp_path / "light.fits.gz"
    packed.write_bytes(gzip.compress(drawn[0].read_bytes(), 1))
    night.begin()
    night.put(packed, part=0.7)
    night.wait(20)
    assert not night.told
    night.put(packed)
    night.wait(10)
    (frame,) = night.frames()
    assert frame.grade is not None


def test_a_truncated_file_is_told_once_and_stored_as_a_scan_stores_it(night, drawn, tmp_path):
    """After a minute it is read as it is: unreadable, said once, known to the database."""
    night.begin()
    night.put(drawn[0], part=0.6)
    night.wait(300)
    (told,) = night.frames()
    assert told.faults == ("unreadable",) and told.grade is None
    assert same_as_scan(night, tmp_path)


def test_renamed_moved_and_vanished(night, drawn, tmp_path):
    """A name that changes at the end of writing, a frame that moves, one that is gone again."""
    night.begin()
    night.put(drawn[0], name="light.fits.tmp")
    night.wait(20)
    assert not night.told
    (night.folder / "light.fits.tmp").rename(night.folder / "light.fits")
    night.wait(10)
    assert names(night) == ["light.fits"]
    (night.folder / "night").mkdir()
    (night.folder / "light.fits").rename(night.folder / "night" / "light.fits")
    night.put(drawn[1], name="gone.fits", part=0.5)
    night.wait(3)
    (night.folder / "gone.fits").unlink()
    night.put(drawn[2])
    night.wait(20)
    (night.folder / drawn[2].name).unlink()
    night.wait(20)
    assert names(night) == ["light.fits", drawn[2].name]
    scan = content(night.database)
    missing = {os.fsdecode(os.path.basename(row[0])): row[2] for row in scan["file"] if row[2]}
    assert drawn[2].name in missing
    assert not [row for row in scan["file"] if row[0].endswith(b"night/light.fits") and row[2]]


def test_dawn_flats_and_darks_are_kinds(night, drawn, tmp_path):
    """What is no light is named by its kind; it is graded by nothing and warns of nothing."""
    night.begin()
    feed(night, drawn[:4], STEP_S)
    for number, kind in enumerate(["Flat Field", "Dark Frame"] * 4):
        at = START + timedelta(seconds=1300 + 30 * number)
        cards = {"IMAGETYP": kind, "DATE__OBS": f"{at:%Y-%m-%dT%H:%M:%S}"}
        night.put(write_frame(tmp_path / f"c{number}.fits", noise(number), **cards))
        night.wait(30)
    assert [e.grade for e in night.frames()[4:]] == [None] * 8
    assert "flat" in night.frames()[4].text
    assert not [w for w in night.warnings() if w[0] == "alarm"]


@pytest.mark.parametrize("focal_mm", [540.0, None])
def test_flats_make_no_rig_overdue(night, drawn, tmp_path, focal_mm):
    """Nor where their headers say less than those of lights, and put them into another run."""
    night.begin()
    feed(night, drawn[:4], STEP_S)
    at = START + timedelta(seconds=1300)
    cards = {"DATE__OBS": f"{at:%Y-%m-%dT%H:%M:%S}", "FOCALLEN": focal_mm, "XPIXSZ": 4.8}
    night.put(write_frame(tmp_path / "flat.fits", noise(), IMAGETYP="Flat Field", **cards))
    night.wait(3600)
    assert len({e.rig for e in night.frames()}) == 1
    assert night.warnings() == []


def test_two_rigs_in_one_folder(night, drawn, tmp_path, worker):
    """Each frame is judged by its own run: trouble of one rig is no trouble of the other."""
    make_run(tmp_path / "other", 10, size=(300, 400), cards={"INSTRUME": "Second Camera"})
    other = sorted((tmp_path / "other").iterdir())
    night.begin()
    for one, two in zip(drawn, other, strict=True):
        night.put(one, name=f"a_{one.name}")
        night.put(two, name=f"b_{two.name}")
        night.wait(STEP_S)
    alarms = [e for e in night.told if e.kind == "alarm" and e.cause == "trailed"]
    assert len(alarms) == 1
    rigs = {e.rig for e in night.frames()}
    assert len(rigs) == 2 and "MonoCam 9" in (alarms[0].rig or "")
    assert alarms[0].text.startswith(f"{alarms[0].rig}: trailed: ")
    assert same_as_scan(night, tmp_path)
    again = Night(tmp_path, worker, night.clock).begin()
    still = [words for words in again.said if words.startswith("Still")]
    assert still == [f"Still, as told before: {alarms[0].text}"]
    again.close()


def test_a_restart_warns_nobody_twice_and_catches_up(tmp_path, worker, drawn):
    """The second watch says nothing anew of what the first told, and looks at what it missed."""
    first = Night(tmp_path, worker).begin()
    feed(first, drawn[:9], STEP_S)
    assert ("alarm", "trailed") in first.warnings()
    first.close()
    second = Night(tmp_path, worker, first.clock)
    second.put(drawn[9])
    second.clock.at += timedelta(seconds=120)
    second.begin()
    second.wait(10)
    assert not [w for w in second.warnings() if w[1] == "trailed"]
    assert any("trailed" in words or "Still" in words for words in second.said)
    assert any("Caught up with 1 frame" in words for words in second.said)
    second.close()


def test_sleep_is_told_and_makes_nothing_overdue(night, drawn):
    """A machine that slept for hours has missed no frame: waiting begins anew."""
    night.begin()
    feed(night, drawn[:5], STEP_S)
    night.clock.at += timedelta(hours=3)
    night.wait(60)
    assert any("slept" in words for words in night.said)
    assert not [w for w in night.warnings() if w[0] == "overdue"]


def test_a_share_that_hangs_is_one_warning(tmp_path, worker):
    """Looking hangs in its own thread; the watch goes on, warns once, and says when it is over."""
    night, gate = Night(tmp_path, worker), threading.Event()
    told: list = []

    def hang(waiting: Iterable[bytes]) -> Look:
        gate.wait(20)
        return Look()

    watch = Watch(
        night.engine, Settings(), [os.fsencode(night.folder)], Voice(told.append), worker,
        every_s=0.01, clock=night.clock, look=hang,
    )  # fmt: skip
    watch.begin()
    for _ in range(8):
        watch.turn()
        night.clock.at += timedelta(seconds=SILENT_S / 2)
        watch.slept(SILENT_S / 2)
    assert [e.cause for e in told] == ["folder-silent"]
    gate.set()
    for _ in range(50):
        watch.turn()
        if len(told) > 1:
            break
    assert [(e.kind.value, e.cause) for e in told][1:] == [("cleared", "folder-silent")]
    night.close()


def test_a_full_disk_and_a_lost_folder_are_told_once(tmp_path, worker, drawn):
    """Room for less than an hour at the pace of the last files; a folder that cannot be read."""
    night = Night(tmp_path, worker)
    told: list = []
    root, free = os.fsencode(night.folder), [10**12]
    away: dict[bytes, str] = {}
    inner = night.watch._lookout._look

    def look(waiting: Iterable[bytes]) -> Look:
        found = inner(waiting)
        found.free_bytes, found.away = {root: free[0]}, dict(away)
        return found

    night.watch = Watch(
        night.engine, Settings(), [root], Voice(told.append), worker, clock=night.clock, look=look
    )
    night.begin()
    feed(night, drawn[:6], STEP_S)
    free[0] = drawn[0].stat().st_size * 8  # eight frames: 42 minutes
    night.wait(30)
    away[root] = "cannot be read (Input/output error)"
    night.wait(30)
    away[b"/the other"] = "is gone"
    night.wait(30)
    away.clear()
    free[0] = 10**12
    night.wait(30)
    said = [(e.kind.value, e.cause, e.text) for e in told if e.kind != "frame"]
    assert [one[:2] for one in said] == [
        ("alarm", "disk"), ("alarm", "folder"), ("alarm", "folder"), ("cleared", "folder"),
        ("cleared", "disk"),
    ]  # fmt: skip
    assert "/the other (and 1 more): is gone" in said[2][2]
    assert "room for 0:4" in said[0][2] or "min" in said[0][2], said[0][2]
    night.close()


def test_a_share_that_is_taken_off_is_told_and_its_frames_are_there_again(night, drawn):
    """Its empty folder makes no frame missing; what comes with it again is taken, and all seen."""
    for source in drawn[:2]:
        night.put(source)
    night.begin()
    night.wait(30)
    os.rename(night.folder, night.folder.with_name("taken off"))
    night.folder.mkdir()
    night.wait(60)
    assert night.warnings() == [("alarm", "folder")]
    (alarm,) = (e.text for e in night.told if e.is_warning)
    assert f"folder {night.folder}: is empty here: is its disk or share mounted?" in alarm
    assert not any(missing(night))
    second = Night(night.folder.parent, night.watch._worker, night.clock).begin()
    assert all(missing(night))
    second.wait(30)
    night.folder.rmdir()
    os.rename(night.folder.with_name("taken off"), night.folder)
    second.put(drawn[2])
    second.wait(60)
    assert second.warnings() == [("cleared", "folder")]
    assert not any(missing(night))
    assert len(second.frames()) == 1
    (second.folder / drawn[2].name).unlink()  # and from then on one is missed again
    second.wait(60)
    assert sum(missing(night)) == 1
    second.close()


@pytest.mark.parametrize("disks", [1, 2])
def test_the_databases_own_disk_is_looked_at(tmp_path, worker, monkeypatch, disks):
    """Told once and over once where it is a disk of its own; else the frames' disk says it."""
    night, told, free = Night(tmp_path, worker), [], [10**12]
    other = str(tmp_path.absolute())
    monkeypatch.setattr(watch_machine, "disk_of", lambda at: disks == 2 and str(at) == other)
    monkeypatch.setattr(watch_machine, "room", lambda at: free[0] if str(at) == other else 10**12)
    root = os.fsencode(night.folder)
    night.watch = Watch(
        night.engine, Settings(), [root], Voice(told.append), worker, clock=night.clock
    )
    night.begin()
    for left in (10**12, 90_000_000, 80_000_000, 300_000_000, 10**10):
        free[0] = left
        night.wait(30)
    said = [(e.kind.value, e.cause, e.text) for e in told]
    if disks == 1:
        assert said == []
    else:
        assert [one[:2] for one in said] == [
            ("alarm", "database-disk"), ("cleared", "database-disk"),
        ]  # fmt: skip
        assert "90 MB left; make room" in said[0][2]
    night.close()


def test_a_database_that_is_locked_loses_no_frame(night, drawn, monkeypatch):
    """What was read is kept and stored when the database answers again; it is told once."""
    from runlog.actions import arrivals
    from runlog.errors import StoreError

    night.begin()
    store, shut = arrivals.Arrivals.store, [True]

    def refuse(self, read):
        if shut[0]:
            raise StoreError("The database is locked")
        yield from store(self, read)

    monkeypatch.setattr(arrivals.Arrivals, "store", refuse)
    night.put(drawn[0])
    night.wait(60)
    assert not night.frames()
    shut[0] = False
    night.wait(10)
    assert len(night.frames()) == 1
    assert night.warnings() == [("alarm", "database"), ("cleared", "database")]


def test_a_scan_beside_the_watch_swallows_no_frame(night, drawn):
    """What another scan stored first is looked at all the same, once."""
    night.begin()
    feed(night, drawn[:3], STEP_S)
    night.put(drawn[3])
    scan_into(night.database, night.folder)
    night.wait(20)
    assert names(night) == [path.name for path in drawn[:4]]


def test_an_earlier_night_that_is_copied_in_warns_of_nothing(tmp_path, worker, drawn):
    """Frames of long ago are graded as they come; nobody is woken for them."""
    night = Night(tmp_path, worker, DrawnClock(START + timedelta(days=40))).begin()
    feed(night, drawn, 20)
    assert len(night.frames()) == len(drawn)
    assert not [w for w in night.warnings() if w[0] != "cleared"]
    night.close()
