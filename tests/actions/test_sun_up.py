"""A night with a wrong sign of the longitude: asked once, settled by the command it names."""

import random
import shlex
import shutil

import pytest

from tests.tools import content, here, runlog, runlog_json, write_run

# 2026-10-09, 22:00 UTC and on: night at 100 degrees east. Written as west it is afternoon.
WRONG = {"SITELAT": 47.5, "SITELONG": -100.0}


def questions(home):
    """List what check says of headers."""
    found = runlog_json(home, "check")["rows"]
    return [row for row in found if row["about"] == "headers"]


@pytest.fixture
def frames(tmp_path):
    """Write twelve frames over an hour with the wrong sign."""
    write_run(tmp_path / "frames", 12, **WRONG)
    return tmp_path / "frames"


def test_one_question_and_its_command(tmp_path, frames):
    """The person is asked once, runs what is printed as it stands, and nothing is left to ask."""
    assert here(tmp_path, "scan", frames).returncode == 0
    (asked,) = questions(tmp_path)
    assert "in every light frame" in asked["text"]
    assert asked["text"].endswith("(12 frames)")
    command = asked["cure"].splitlines()[0]
    assert 'site "47.5 100"' in command
    (line,) = [w for w in here(tmp_path, "night").stdout.splitlines() if "the Sun stood" in w]
    assert line.strip().startswith("the Sun stood")
    done = here(tmp_path, *shlex.split(command)[1:])
    assert done.returncode == 0, done.stderr
    assert questions(tmp_path) == []


def test_nothing_rests_on_a_place_in_doubt(tmp_path, frames):
    """While the question stands neither dark nor Moon is told; when it is settled both are."""
    assert here(tmp_path, "scan", frames).returncode == 0
    (report,) = runlog_json(tmp_path, "night")["rows"]
    assert report["dark_start_utc"] is None
    assert report["dark_end_utc"] is None
    said = here(tmp_path, "night").stdout
    assert "dark from when to when is unknown, because the longitude or the clock is in" in said
    assert "the Moon was up" not in said
    (asked,) = questions(tmp_path)
    assert here(tmp_path, *shlex.split(asked["cure"].splitlines()[0])[1:]).returncode == 0
    assert runlog_json(tmp_path, "night")["dark_start_utc"] is not None
    assert "in doubt" not in here(tmp_path, "night").stdout


def test_the_order_of_scanning_does_not_matter(tmp_path, frames):
    """Scanned file by file in any order, frames ask the same."""
    (tmp_path / "all").mkdir()
    assert here(tmp_path / "all", "scan", frames).returncode == 0
    at_once = content(tmp_path / "all" / "night.sqlite")
    (tmp_path / "one").mkdir()
    paths = sorted(frames.iterdir())
    random.Random(3).shuffle(paths)
    for part in (paths[:1], paths[1:5], paths[5:]):
        assert here(tmp_path / "one", "scan", *part).returncode == 0
    assert content(tmp_path / "one" / "night.sqlite")["frame"] == at_once["frame"]


def test_the_headers_own_clock_needs_no_person(tmp_path, frames):
    """With local time beside UTC the sign is read right, said, and all is one night."""
    shutil.rmtree(frames)
    # 05:00 to 13:00 UTC and on is a night at 116 degrees west; as east it would be two half days.
    starts = {f"2026-10-10T{h:02d}:00:00": f"{(h - 8) % 24:02d}:00:00" for h in range(3, 12)}
    for i, (start, local) in enumerate(starts.items()):
        cards = {"SITELONG": 116.0, "DATE__OBS": start, "LOCTIME": local, "OBJECT": "M 33"}
        write_run(frames, i + 1, first=i, **(WRONG | cards))
    assert here(tmp_path, "scan", frames).returncode == 0
    nights = {row["night"] for row in runlog_json(tmp_path, "frames")["rows"]}
    assert nights == {"2026-10-09"}
    (asked,) = questions(tmp_path)
    assert "was taken as -116" in asked["text"]
    command = asked["cure"].splitlines()[0]
    assert here(tmp_path, *shlex.split(command)[1:]).returncode == 0
    assert questions(tmp_path) == []


def test_no_librarys_warning_on_the_screen(tmp_path):
    """Dates outside of what libraries know by heart are our question, not their warning."""
    for year in (1850, 1955, 2035, 2186):
        write_run(
            tmp_path / "frames" / str(year), 1, first=year, DATE__OBS=f"{year}-06-01T02:00:00"
        )
    done = runlog(tmp_path, "scan", tmp_path / "frames")
    assert done.returncode == 0, done.stderr
    said = done.stderr + "".join(
        runlog(tmp_path, *words).stderr
        for words in (["night", "2186-05-31"], ["night", "1850-05-31"], ["check"])
    )
    assert not any(word in said.lower() for word in ("warn", "erfa", "site-packages", "iers"))
