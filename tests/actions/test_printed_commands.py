"""What `check` prints to be typed touches the frames that ask, and no other."""

import re
import shlex

import pytest

from tests.tools import here, noise, runlog_json, write_frame, write_run

NOBODY = {"INSTRUME": None, "TELESCOP": None}
PLACES = {
    "SECONDS": "60",
    "NAME": "Ha",
    "KIND": "light",
    "SHIFT": "1h later",
    "START": "2026-10-09T21:30:00",
    "EVENING": "2026-10-09",
}


def asked(home):
    """List what check says of headers: the question, and the lines of its cure."""
    rows = [row for row in runlog_json(home, "check")["rows"] if row["about"] == "headers"]
    return {row["text"]: row["cure"].splitlines() for row in rows}


def typed(line):
    """Give the words to run for one printed line, its capitals filled in."""
    words = re.sub(r" \([A-Z]+[ :].*", "", line)
    return [PLACES.get(word, word) for word in shlex.split(words)[1:]]


def named(done):
    """Give the file names a dry run lists."""
    assert done.returncode == 0, done.stderr
    return {line.strip() for line in done.stderr.splitlines() if line.endswith(".fits")}


def about(cures, words):
    """Find the one question that has these words."""
    (found,) = [lines for text, lines in cures.items() if words in text]
    return found


@pytest.fixture
def mixed(tmp_path):
    """Write frames of rigs without names, some without date, filter or length, among good ones."""
    folder = tmp_path / "frames"
    write_run(folder / "good", 3, **NOBODY)
    write_run(folder / "good", 2, first=3, **NOBODY, XPIXSZ=9.0, YPIXSZ=9.0)
    for i, name in enumerate(("ring.fits", "comp.fits", "m13.fits", "m27.fits", "memory.fits")):
        cards = {"DATE__OBS": None, "EXPTIME": None if name[0] != "c" else 50.0}
        write_frame(folder / "odd" / name, noise(20 + i), **NOBODY, **cards)
    write_frame(folder / "odd" / "m31.fits", noise(40), **NOBODY, DATE__OBS=None)
    write_run(folder / "rig", 2, first=50, TELESCOP="Wren", FILTER=None)
    write_run(folder / "rig", 2, first=60, TELESCOP="Wren Two")
    assert here(tmp_path, "scan", folder).returncode == 1  # it names what is missing
    return tmp_path


def test_only_those_that_ask(mixed):
    """Guards headers that are right: each command means the frames that ask, all of them."""
    cures = asked(mixed)
    silent = {"ring.fits", "m13.fits", "m27.fits", "memory.fits"}
    wanted = {
        "no card gives the time": silent | {"comp.fits", "m31.fits"},
        "exposure time of this light frame is missing": silent,
        "which filter was used": {"light_0050.fits", "light_0051.fits"},
    }
    for words, frames in wanted.items():
        touched = [named(here(mixed, *typed(c), "--dry-run")) for c in about(cures, words)]
        assert set().union(*touched) == frames


def test_a_rigs_whole_name_means_that_rig(mixed):
    """Guards a rig whose name is part of another's: "Wren" is not "Wren Two"."""
    done = here(mixed, "correct", "exposure", "60", "--rig", "wren + monocam 9", "--dry-run")
    assert named(done) == {"light_0050.fits", "light_0051.fits"}
    done = here(mixed, "correct", "exposure", "60", "--rig", "wren", "--dry-run")
    assert len(named(done)) == 4


def test_no_time_is_not_shifted(mixed):
    """Guards the question from being silenced by a shift of nothing; a start or evening settles."""
    done = here(mixed, "correct", "date", "1h later", "comp.fits")
    assert done.returncode == 2
    assert "no time that could be shifted" in done.stderr
    assert any("no card gives the time" in text for text in asked(mixed))
    assert here(mixed, "correct", "date", PLACES["START"], "comp.fits").returncode == 0
    for line in about(asked(mixed), "no card gives the time"):
        assert here(mixed, *typed(line)).returncode == 0
    assert not any("no card gives the time" in text for text in asked(mixed))
    nights = {row["night"] for row in runlog_json(mixed, "frames")["rows"]}
    assert nights == {"2026-10-09"}


def test_frames_without_a_name(tmp_path):
    """Guards the command that names them: it fits frames of no night, and means no others."""
    folder, bare = tmp_path / "frames", {"OBJECT": None, "DATE__OBS": None}
    write_frame(folder / "one.fits", noise(1), **bare)
    write_frame(folder / "two.fits", noise(2), **bare)
    write_frame(folder / "three.fits", noise(3), DATE__OBS=None)
    here(tmp_path, "scan", folder)
    (row,) = [r for r in runlog_json(tmp_path, "targets")["rows"] if r["target"] == "(no name)"]
    (question,) = row["questions"]
    assert question.startswith("2 frames have neither a name nor coordinates: runlog correct")
    done = here(tmp_path, *typed(question.partition(": ")[2]), "--dry-run")
    assert named(done) == {"one.fits", "two.fits"}


@pytest.mark.parametrize(
    ("said", "words"),
    [
        (None, "has no date: it"),
        ("2026-10-09", "has no time of day: it"),
        ("18-JUN-1990", "has no date that can be read: it"),
    ],
)
def test_what_a_frame_without_a_night_lacks(tmp_path, said, words):
    """Guards `scan` from missing a date that `check` quotes."""
    write_frame(tmp_path / "frames" / "one.fits", noise(1), DATE__OBS=said)
    assert words in here(tmp_path, "scan", tmp_path / "frames").stderr


def test_a_date_may_be_right(tmp_path):
    """Guards a way to say so: the question goes, the start stays."""
    write_run(tmp_path / "frames", 1, DATE__OBS="10/25/2026T22:00:00")
    assert here(tmp_path, "scan", tmp_path / "frames").returncode == 0
    ((_, (line,)),) = asked(tmp_path).items()
    (before,) = runlog_json(tmp_path, "frames")["rows"]
    words = ["0h later" if word == PLACES["SHIFT"] else word for word in typed(line)]
    done = here(tmp_path, *words)
    assert "right as it stands" in done.stderr
    (after,) = runlog_json(tmp_path, "frames")["rows"]
    assert after["taken_at_utc"] == before["taken_at_utc"]
    assert asked(tmp_path) == {}
