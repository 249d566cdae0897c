"""Databases, nights, frames and commands are named as people name them."""

import os
import subprocess

import pytest

from tests.tools import (
    argv,
    database_of,
    environment,
    here,
    noise,
    runlog,
    runlog_json,
    write_frame,
)


@pytest.fixture
def home(tmp_path):
    """Scan the nights for a test that marks."""
    return scanned(tmp_path)


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    """Scan the nights once for tests that only read."""
    return scanned(tmp_path_factory.mktemp("naming"))


def scanned(tmp_path):
    """Scan three nights, all with a file of one name."""
    for number, night in enumerate(("02", "09", "16")):
        cards = {"DATE__OBS": f"2026-10-{night}T20:00:00", "OBJECT": "M 33", "FILTER": "G"}
        write_frame(tmp_path / "n" / night / "M33_0005.fits", noise(number), **cards)
        cards["DATE__OBS"] = f"2026-10-{night}T20:10:00"
        name = f"only_{night}.fits"
        write_frame(tmp_path / "n" / night / name, noise(10 + number), **cards)
    assert here(tmp_path, "scan", "n").returncode == 0
    return tmp_path


def grades(home):
    """Give each frame's grade by night and name, as far as a person gave it."""
    rows = runlog_json(home, "frames")["rows"]
    return {
        (row["night"][-2:], os.path.basename(row["path"])): row["grade"]
        for row in rows
        if row["graded_by"] == "person"
    }


def test_frames_of_one_name(home):
    """Nights that share a name: their keys are said; a key, a night or --last settles it."""
    done = here(home, "mark", "M33_0005.fits", "reject")
    assert done.returncode == 2 and "3 frames have this name" in done.stderr
    row = next(r for r in runlog_json(home, "frames", "--night", "2026-10-02")["rows"])
    assert f"{row['fingerprint'][:8]} of 2026-10-02" in done.stderr
    assert grades(home) == {}
    table = here(home, "frames", "--night", "2026-10-09").stdout.split("\n")
    key = table[2].split()[0]
    assert here(home, "mark", key, "keep").returncode == 0
    assert here(home, "mark", "M33_0005.fits", "reject", "--night", "2026-10-16").returncode == 0
    assert here(home, "mark", "--last", "--night", "2026-10-02", "doubtful").returncode == 0
    assert grades(home) == {
        ("09", "M33_0005.fits"): "keep",
        ("16", "M33_0005.fits"): "reject",
        ("02", "only_02.fits"): "doubtful",
    }
    explained = here(home, "regrade", "--explain", "M33_0005.fits", "--night", "last")
    assert "marked reject" in explained.stdout


def test_many_are_shown_before_they_are_marked(home):
    """Without --yes and without anybody to ask, nothing is marked; with it, all that were shown."""
    words = ["mark", "reject", "--since", "2026-10-09", "--filter", "G"]
    done = runlog(home, *words, stdin=subprocess.DEVNULL)
    assert done.returncode == 2
    assert "4 frames would be marked reject:" in done.stderr
    assert "only_09.fits" in done.stderr and "only_02.fits" not in done.stderr
    assert grades(home) == {}
    assert here(home, *words, "--yes").returncode == 0
    assert set(grades(home).values()) == {"reject"} and len(grades(home)) == 4


@pytest.mark.parametrize(
    "line",
    [
        "{db} targets", "targets {db}", "{db} targets list", "targets {db} list",
        "targets list {db}", "targets log {db}", "targets {db} log", "policy {db} history",
        "policy history {db}", "{db} policy history", "roots {db}", "{db} roots", "{db} nights",
        "nights {db}", "night {db} last", "check {db}", "totals {db}", "frames {db}",
    ],
)  # fmt: skip
@pytest.mark.parametrize("config", ["", "--config empty.toml"])
def test_database_and_config_before_and_after(shared, line, config):
    """Guards groups, whose options were refused between the group and its command."""
    (shared / "empty.toml").write_text("")
    words = line.replace("{db}", f"--db {database_of(shared)} {config}").split()
    done = here(shared, *words, env={"RUNLOG_DB": str(shared / "nowhere.sqlite")})
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("word", "night"),
    [("last", "16"), ("-1", "09"), ("-2", "02"), ("friday", "16"), ("fri", "16")],
)
def test_nights_by_words(shared, word, night):
    """`night` and `--night` take the same words."""
    assert f"Night of 2026-10-{night}" in here(shared, "night", word).stdout
    rows = runlog_json(shared, "frames", "--night", word)["rows"]
    assert {row["night"] for row in rows} == {f"2026-10-{night}"}


def test_words_that_name_no_night(shared):
    """Yesterday has a date of its own; what is no word is refused with those there are."""
    done = here(shared, "night", "yesterday")
    assert done.returncode == 2 and "No frames of the night of" in done.stderr
    done = here(shared, "night", "someday")
    assert done.returncode == 2 and "last, -1" in done.stderr
    assert here(shared, "night", "-9").returncode == 2


@pytest.mark.parametrize(
    ("words", "near"),
    [
        ("frame", "Did you mean frames?"), ("total", "Did you mean totals?"),
        ("targets renam", "Did you mean rename?"), ("policy adop", "Did you mean adopt?"),
    ],
)  # fmt: skip
def test_a_slip_in_a_command(shared, words, near):
    """The command that is near is named, in groups too."""
    done = here(shared, *words.split())
    assert done.returncode == 2 and near in done.stderr


@pytest.fixture(scope="module")
def source(shared):
    """Give the script that runlog has for bash."""
    env = environment(shared, _RUNLOG_COMPLETE="bash_source")
    return subprocess.run(argv(), env=env, capture_output=True, text=True, check=True).stdout


def completed(home, source, *words):
    """Ask bash, with the script runlog gives it, what it would offer for the last word."""
    script = source + '\nCOMP_WORDS=("$@")\n'
    script += "COMP_CWORD=$(( $# - 1 )); _runlog_completion runlog\n"
    script += 'printf "%s\\n" "${COMPREPLY[@]}"'
    folder = home / "bin"
    folder.mkdir(exist_ok=True)
    (folder / "runlog").write_text("#!/bin/sh\nexec " + " ".join(map(str, argv())) + ' "$@"\n')
    (folder / "runlog").chmod(0o755)
    env = environment(home, RUNLOG_DB=database_of(home))
    env["PATH"] = f"{folder}:{os.environ['PATH']}"
    done = subprocess.run(
        ["bash", "-c", script, "bash", "runlog", *words],
        env=env, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return done.stdout.split("\n")[:-1]


def test_completion_knows_what_is_stored(shared, source):
    """Targets, quoted for the shell, filters, nights; nothing where no database is."""
    assert completed(shared, source, "totals", "--target", "m3") == [r"M\ 33"]
    assert completed(shared, source, "ahead", "m3") == [r"M\ 33"]
    assert completed(shared, source, "tonight", "--target", "m3") == [r"M\ 33"]
    assert completed(shared, source, "frames", "--filter", "") == ["G"]
    assert completed(shared, source, "night", "2026-10-0") == ["2026-10-09", "2026-10-02"]
    assert completed(shared, source, "goal", "M33", "") == ["G"]
    assert completed(shared, source, "targets", "mer") == ["merge"]
    assert completed(shared, source, "--db", "nowhere.sqlite", "totals", "--target", "") in (
        [],
        [""],
    )
