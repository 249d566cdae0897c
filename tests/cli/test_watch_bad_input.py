"""`runlog scan --watch` over files, folders and clocks that misbehave: the real command."""

import os
import shutil
import signal
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest
from astropy.io import fits

from samples.maker.quick import make_run
from tests.hastened import set_on
from tests.killing import orphans
from tests.moving import exposures_of
from tests.silent import may_be_silent, silent, waits
from tests.tools import runlog_json
from tests.watched import PATIENCE_S, Watching, graded, put, where_it_is_midnight

SIZE = (300, 400)
SECOND_RIG = {"INSTRUME": "ColourCam 2", "TELESCOP": "Newton 150/750"}


def just_now(
    folder: Path, frames: int, *, cards: Mapping[str, Any] = MappingProxyType({}), **more: Any
) -> list[Path]:
    """Draw minutes of the night of which the last just ended, in order of time."""
    begun = datetime.now(UTC).replace(microsecond=0) - timedelta(seconds=65 * frames)
    usual = {"size": SIZE, "exposure_s": 60.0, "overhead_s": 5.0, "start_utc": begun}
    make_run(folder, frames, cards={**where_it_is_midnight(), **cards}, **usual, **more)
    return sorted(folder.iterdir())


def slow(source: Path, folder: Path) -> Path:
    """Make a frame of 12 Mpx and very many stars, which is read for a second or more."""
    folder.mkdir(exist_ok=True)
    with fits.open(source) as small:
        many = fits.PrimaryHDU(np.tile(small[0].data, (10, 10)), small[0].header)
        many.writeto(folder / f"slow_{source.name}")
    return folder / f"slow_{source.name}"


def exposed(sources: Sequence[Path], ahead_s: float = 0.0, **cards: Any) -> Sequence[Path]:
    """Date frames as if they had just ended, by a clock so far ahead; gives them with other cards.

    Two seconds apart: within one they would be copies.
    """
    for number, source in enumerate(sources):
        with fits.open(source) as opened:
            pixels, header = opened[0].data.copy(), opened[0].header.copy()
        header.update(cards)
        past_s = header["EXPTIME"] + 2 * (len(sources) - number)
        began = datetime.now(UTC).replace(tzinfo=None) + timedelta(seconds=ahead_s - past_s)
        header["DATE-OBS"] = began.isoformat(timespec="milliseconds")
        fits.PrimaryHDU(pixels, header).writeto(source, overwrite=True)
    return sources


def half(source: Path, path: Path) -> None:
    """Write a header and half of its pixels."""
    whole = source.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])


def told(watching: Watching, name: str) -> list[dict[str, Any]]:
    """Give what it told of a file by its name, as a frame."""
    return [event for event in graded(watching) if os.path.basename(event["path"]) == name]


def take(watching: Watching, sources: Sequence[Path]) -> None:
    """Put files into the watched folder, and wait until all are told."""
    put(watching.home, sources)
    watching.until(lambda: all(told(watching, source.name) for source in sources))


def stored(home: Path) -> dict[str, str]:
    """Give the starts of all frames that are stored, each by its file that is there."""
    rows = [row for row in runlog_json(home, "frames")["rows"] if row["error"] is None]
    return {path: row["taken_at_utc"][:19] for row in rows for path in row["paths"]}


def each_once(home: Path) -> bool:
    """Tell whether the database has the exposures of the files that are there, each once.

    Held against the files' headers as astropy reads them.
    """
    there = [str(path) for path in (home / "frames").rglob("*.fits")]
    starts = sorted(start[:19] for start, _ in exposures_of(home / "frames").elements())
    found = stored(home)
    return sorted(found) == sorted(there) and sorted(found.values()) == starts


def test_files_that_are_not_whole_move_or_vanish(tmp_path):
    """Each exposure is told once, when it is whole; what stays short once, and is no end.

    Half written, then whole; renamed from a temporary name; cut short for good, until it is copied
    anew; gone between being seen and being read; renamed when it was graded.
    """
    drawn = just_now(tmp_path / "drawn", 9)
    folder = tmp_path / "frames"
    with Watching(tmp_path, "--json", module="tests.hastened") as watching:
        half(drawn[0], folder / "grows.fits")
        half(drawn[1], folder / "light.fits.tmp")
        take(watching, [drawn[2]])  # it looked thrice, at the others too
        assert len(graded(watching)) == 1
        (folder / "grows.fits").write_bytes(drawn[0].read_bytes())
        (folder / "light.fits.tmp").write_bytes(drawn[1].read_bytes())
        (folder / "light.fits.tmp").rename(folder / "light.fits")
        watching.until(lambda: len(graded(watching)) == 3)

        half(drawn[3], folder / "cut.fits")
        set_on(tmp_path, 300)
        watching.until(lambda: bool(told(watching, "cut.fits")))
        take(watching, [drawn[4]])

        inner = slow(drawn[5], tmp_path / "inner").parent
        shutil.copy(drawn[6], inner / "vanishes.fits")
        inner.rename(folder / "inner")  # both are seen at one look, and read one after the other
        watching.until(lambda: watching.reads(folder / "inner" / f"slow_{drawn[5].name}"))
        (folder / "inner" / "vanishes.fits").unlink()

        (folder / drawn[4].name).rename(folder / "renamed.fits")
        take(watching, [drawn[7]])
        (folder / "cut.fits").write_bytes(drawn[3].read_bytes())
        watching.until(lambda: len(told(watching, "cut.fits")) == 2)
        watching.until(lambda: each_once(tmp_path))  # the old name is gone there, too
        assert watching.end() == 0

    frames = {name: told(watching, name) for name in ("grows.fits", "light.fits", "cut.fits")}
    assert [len(one) for one in frames.values()] == [1, 1, 2]
    short, mended = frames["cut.fits"]
    assert short["faults"] == ["unreadable"] and short["grade"] is None
    assert short["text"].startswith(f"{folder}/cut.fits: is cut short: 49% of the pixels")
    assert "Copy it again from the rig" in short["text"]
    assert [event["text"] for event in graded(watching) if not event["grade"]] == [short["text"]]
    assert mended["first_look"] == "keep"
    names = [os.path.basename(event["path"]) for event in graded(watching)]
    assert "vanishes.fits" not in names and "renamed.fits" not in names
    assert "Traceback" not in watching.said() and "vanishes" not in watching.said()
    assert "7 frames graded, 1 file not readable" in watching.events()[-1]["text"]
    assert each_once(tmp_path)


def test_two_rigs_in_a_folder_that_is_taken_away(tmp_path):
    """Each rig is judged by itself, and a warning names whose it is; a lost folder comes back.

    While it is away nothing is called gone, and what is written meanwhile is taken afterwards.
    """
    one = just_now(tmp_path / "one", 9)
    spoilt = {i: {"fault": "trailed"} for i in range(5, 8)}
    two = just_now(tmp_path / "two", 8, target="NGC7000", cards=SECOND_RIG, overrides=spoilt)
    folder, away = tmp_path / "frames", tmp_path / "away"
    with Watching(tmp_path) as watching:
        put(tmp_path, [one[0], two[0]])
        watching.until(lambda: len(watching.lines()) == 2)
        put(tmp_path, [*one[1:4], *two[1:6]])
        watching.until(lambda: len(watching.lines()) == 10)
        put(tmp_path, [*one[4:8], *two[6:]])
        watching.until(lambda: len(watching.lines()) == 16)
        folder.rename(away)
        watching.until(lambda: "cannot be read" in watching.said())
        watching.look_on()
        shutil.copy(one[8], away)
        away.rename(folder)
        watching.until(lambda: len(watching.lines()) == 17)
        assert watching.end() == 0

    lines, said = watching.lines(), watching.said()
    for source in [*one, *two]:
        assert sum(source.name in line for line in lines) == 1
    trailed = {source.name for source in two[5:]}
    assert trailed == {line.split()[1].strip(":") for line in lines if "reject" in line}
    warned = [line.split(" ", 1)[1] for line in said.splitlines() if "trailed" in line]
    assert len(warned) == 1
    assert warned[0].startswith("Newton 150/750 + ColourCam 2: trailed: 3 frames in a row")
    assert said.count(f"folder {folder}: cannot be read") == 1
    assert said.count("the folders can be read again") == 1
    assert said.count("can be read again") == 1 and "Traceback" not in said
    assert len({run["rig"] for run in runlog_json(tmp_path, "nights")["rows"]}) == 2
    assert each_once(tmp_path)


def test_begun_while_its_folder_is_away(tmp_path):
    """It waits: told once, also when it is begun again meanwhile; then it watches as ever.

    Ctrl-C ends the waiting as it ends the watch.
    """
    drawn = just_now(tmp_path / "drawn", 2)
    waits_for = f"folder {tmp_path / 'frames'}: is not there; waiting for it"
    with Watching(tmp_path, "--json", until=waits_for) as first:
        first.look_on()
        assert first.end() == 0
    before = first.events()
    assert [e["kind"] for e in before] == ["alarm", "end"]
    assert first.said().count(waits_for) == 1 and "watch ended: 0 frames" in first.said()
    with Watching(tmp_path, "--json", until=waits_for, after=first.said()) as second:
        (tmp_path / "drawn").rename(tmp_path / "frames")
        second.until(lambda: "Watching" in second.said())
        second.until(lambda: len(graded(second)) == 2)
        assert second.end(signal.SIGTERM) == 0
    later = second.events()[len(before) :]
    assert [e["kind"] for e in later] == ["cleared", "frame", "frame", "end"]
    assert (later[0]["cause"], later[0]["text"]) == ("folder", "the folders can be read again")
    assert f"Still, as told before: {waits_for}" in second.said()
    assert "Traceback" not in second.said() and orphans(second.mark) == []
    assert len(drawn) == 2 and each_once(tmp_path)


@pytest.mark.skipif(not may_be_silent(), reason="nothing may be mounted here")
def test_a_folder_that_does_not_answer(tmp_path):
    """Told once, and that it answers again; it goes on, and Ctrl-C ends it also where it hangs."""
    drawn = just_now(tmp_path / "drawn", 2)
    folder = tmp_path / "frames"
    folder.mkdir()
    put(tmp_path, drawn[:1])
    with Watching(tmp_path, "--json", module="tests.hastened") as watching:
        with silent(folder):
            set_on(tmp_path, 100)
            watching.until(lambda: "has not answered" in watching.said())
        watching.until(lambda: "answers again" in watching.said())
        take(watching, drawn[1:])
        with silent(folder):
            watching.until(lambda: waits(watching.process.pid))
            assert watching.end() == 0
    told_of = [(e["kind"], e["cause"]) for e in watching.events() if e["kind"] != "frame"]
    assert told_of == [("alarm", "folder-silent"), ("cleared", "folder-silent"), ("end", None)]
    assert orphans(watching.mark) == [] and "Traceback" not in watching.said()
    assert each_once(tmp_path)


def test_clocks_that_differ_and_flats_at_dawn(tmp_path):
    """Clocks that differ are told once, and then arrival tells that a frame is overdue.

    The rig beside it ends with flats, and nobody is warned of that: its next light would have been
    overdue before the other's, which the clock of the watch is set on to. A hook that fails each
    time is told of once.
    """
    steady = just_now(tmp_path / "steady", 7, cards=SECOND_RIG)
    ahead = just_now(tmp_path / "ahead", 4, target="NGC7000")
    with Watching(tmp_path, "--json", "--hook", "false", module="tests.hastened") as watching:
        take(watching, [*exposed(steady[:4]), *exposed(ahead, 7200)])
        take(watching, exposed(steady[4:], IMAGETYP="Flat Field", EXPTIME=2.0))
        set_on(tmp_path, 900)
        watching.until(lambda: any(e["kind"] == "overdue" for e in watching.events()))
        assert watching.end() == 0

    events, rig = watching.events(), "Ladybird 90/540 + MonoCam 9"
    clocks, overdue = (e for e in events if e["kind"] not in ("frame", "end"))
    assert (clocks["kind"], clocks["cause"], clocks["rig"]) == ("alarm", "clocks", rig)
    assert "frames arrive 120 min before they end by their own clock" in clocks["text"]
    assert (overdue["kind"], overdue["rig"]) == ("overdue", rig)
    assert "by arrival: the clocks differ" in overdue["text"]
    kinds = [told(watching, path.name)[0]["text"] for path in steady[4:]]
    assert kinds == [f"{path.name}: flat" for path in steady[4:]]
    assert watching.said().count("hook: false failed") == 1
    assert "8 frames graded, 3 taken without a grade, 2 warnings" in events[-1]["text"]
    assert each_once(tmp_path)


def test_ended_in_the_midst_of_a_frame(tmp_path):
    """SIGTERM of a service, Ctrl-C of a terminal: exit 0 after the frame in hand, and no process.

    What waited, and what was half written, is taken once when it is begun again.
    """
    drawn = just_now(tmp_path / "drawn", 4)
    folder = tmp_path / "frames"
    inner = slow(drawn[0], tmp_path / "inner").parent
    shutil.copy(drawn[1], inner)
    with Watching(tmp_path, "--json") as first:
        half(drawn[2], folder / "grows.fits")
        inner.rename(folder / "inner")
        first.until(lambda: first.reads(folder / "inner" / f"slow_{drawn[0].name}"))
        assert first.end(signal.SIGTERM) == 0
    assert [e["kind"] for e in first.events()] == ["frame", "end"]
    assert told(first, f"slow_{drawn[0].name}") and first.said().count("watch ended") == 1

    (folder / "grows.fits").write_bytes(drawn[2].read_bytes())
    with Watching(tmp_path, "--json", after=first.said()) as second:
        second.until(lambda: len(graded(second)) == 3)
        slow(drawn[3], tmp_path).rename(folder / "last.fits")
        second.until(lambda: second.reads(folder / "last.fits"))
        os.killpg(second.process.pid, signal.SIGINT)  # as a terminal does: to all of its processes
        assert second.process.wait(PATIENCE_S) == 0
    assert orphans(first.mark) == orphans(second.mark) == []
    assert [e["kind"] for e in second.events()] == [
        "frame",
        "end",
        "frame",
        "frame",
        "frame",
        "end",
    ]
    assert len({e["path"] for e in graded(second)}) == 4
    assert second.said().count("watch ended") == 2 and "Traceback" not in second.said()
    assert each_once(tmp_path)
