"""Read-out faults through the whole tool: drawn nights are scanned, some frames spoiled."""

import sqlite3
from functools import cache

import numpy as np
import pytest

from tests.measure.readouts import SHAPE, sky, stored
from tests.real import real_frames
from tests.tools import here, moment, rows, runlog_json, scan_into, write_frame

FRAMES = 7
NIGHTS = {"2026-10-09": 0.0, "2026-10-11": 2 * 86_400.0}
FIELD = 17  # one field of stars for all frames


@cache
def stars_of_the_field():
    """Draw the stars that all frames have."""
    stars = sky(seed=FIELD, noise_adu=4.0, level_adu=0, slope_adu=0, stars=160).astype(float)
    return np.where(stars > 15, stars, 0)


def field(number, *, noise_adu=12.0, grain=1, level_adu=900.0, slope_adu=30.0):
    """Draw one frame of the field: the same stars, noise of its own."""
    light = stars_of_the_field() * grain * noise_adu / 12
    y = np.arange(SHAPE[0])[:, None]
    light = light + level_adu + slope_adu * y / SHAPE[0]
    light += noise_adu * np.random.default_rng(100 + number).standard_normal(SHAPE)
    return stored(light, grain)


def write_night(folder, spoil, *, after_s=0.0, frames=FRAMES, first=0, **drawn):
    """Write a night of the field; `spoil(picture, number)` marks each frame in place."""
    for i in range(frames):
        picture = field(first + i, **drawn)
        spoil(picture, i)
        write_frame(
            folder / f"light_{first + i:03d}.fits", picture, DATE__OBS=moment(after_s + i * 312.0)
        )


def nothing(_picture, _number):
    """Leave a frame as it is."""


def dead_rows(count):
    """Give frames dead rows, as a sensor has them: the same in each."""

    def spoil(picture, _number):
        picture[200 : 200 + count] = 300
        picture[200 : 200 + count, ::3] += 1

    return spoil


def one_banded(picture, number):
    """Lift a band of rows in the fourth frame."""
    if number == 3:
        picture[320:350] += 36


def faults(home):
    """Give the faults named, by file."""
    return {r["path"].rsplit("/")[-1]: r["faults"] for r in runlog_json(home, "frames")["rows"]}


def test_one_banded_frame_of_a_night_is_named(tmp_path):
    """The frame that has what the others have not is rejected with rows and strength."""
    write_night(tmp_path / "n", one_banded)
    scan_into(tmp_path / "night.sqlite", tmp_path / "n")
    found = runlog_json(tmp_path, "frames")["rows"]
    named = {r["path"][-8:-5]: r["evidence"]["readout"] for r in found if "readout" in r["faults"]}
    assert list(named) == ["003"]
    assert named["003"].startswith("rows 320 to 349 stand")
    assert "data cable" in here(tmp_path, "night").stdout


@pytest.mark.parametrize("count", [1, 2, 8])
def test_dead_rows_of_a_night_reject_nothing_and_take_nothing_away(tmp_path, count):
    """A night all of whose frames have dead rows is kept, matched, and its camera left open."""
    write_night(tmp_path / "n", dead_rows(count))
    scan_into(tmp_path / "night.sqlite", tmp_path / "n")
    assert not any("readout" in names for names in faults(tmp_path).values())
    told = here(tmp_path, "night").stdout
    assert "data cable" not in told
    assert "whether that is the camera or the cable" in " ".join(told.split())
    matched = rows(tmp_path / "night.sqlite", "matched_to", "throughput")
    assert all(row[0] and row[1] for row in matched)


def test_dead_rows_of_two_nights_are_the_cameras_own(tmp_path):
    """Seen on two nights, lines are told in full once, on the first; faults are still named."""
    for night, after_s in NIGHTS.items():
        first = 50 if after_s else 0

        def spoil(picture, number):
            dead_rows(8)(picture, number)
            picture[:, 240] += 90
            one_banded(picture, number)

        write_night(tmp_path / night, spoil, after_s=after_s, first=first)
        scan_into(tmp_path / "night.sqlite", tmp_path / night)
        if not after_s:  # the column is told on the first night as the rows are
            told = " ".join(here(tmp_path, "night", night).stdout.split())
            assert "column 240 stands apart as well: so in nearly every frame" in told
    named = [name for name, names in faults(tmp_path).items() if "readout" in names]
    assert sorted(named) == ["light_003.fits", "light_053.fits"]
    first, second = (" ".join(here(tmp_path, "night", night).stdout.split()) for night in NIGHTS)
    where = "8 rows, 1 column (rows 200 to 207, column 240)"
    assert f"the camera's own, held against no frame: {where}" in first
    assert "the camera's own: 8 rows, 1 column" in second
    assert "rows 200" not in second
    assert "camera or the cable" not in first + second


def test_darks_tell_the_cameras_own_rows(tmp_path):
    """One dark with the same rows settles what a night alone leaves open."""
    write_night(tmp_path / "n", dead_rows(8))
    scan_into(tmp_path / "night.sqlite", tmp_path / "n")
    assert rows(tmp_path / "night.sqlite", "readout_doubt")[0][0] is not None
    dark = stored(300 + 5 * np.random.default_rng(1).standard_normal(SHAPE))
    dead_rows(8)(dark, 0)
    dark[200:208] += 60
    write_frame(tmp_path / "d" / "dark.fits", dark, IMAGETYP="Dark Frame",
                DATE__OBS=moment(20_000))  # fmt: skip
    scan_into(tmp_path / "night.sqlite", tmp_path / "d")
    assert [row[0] for row in rows(tmp_path / "night.sqlite", "readout_doubt")] == [None] * 8
    assert "own, held against no frame: 8 rows" in " ".join(here(tmp_path, "night").stdout.split())


def test_the_order_of_scans_changes_nothing(tmp_path):
    """Nights, darks and faults scanned in any order give the same database."""
    for night, after_s in NIGHTS.items():
        first = 50 if after_s else 0
        write_night(tmp_path / night, dead_rows(2), after_s=after_s, first=first, frames=4)
    write_night(tmp_path / "third", one_banded, after_s=4 * 86_400.0, first=80, frames=4)
    folders = [tmp_path / name for name in (*NIGHTS, "third")]
    for database, order in (("a.sqlite", folders), ("b.sqlite", folders[::-1])):
        for folder in order:
            scan_into(tmp_path / database, folder)
    scan_into(tmp_path / "c.sqlite", *folders)
    first = compared(tmp_path / "a.sqlite")
    assert first == compared(tmp_path / "b.sqlite")
    assert first == compared(tmp_path / "c.sqlite")
    assert sum(row[1] is not None for row in first[0]) == 1


def compared(database):
    """Load all that the comparison of rows decides; banked depth is frozen when first scanned."""
    names = ("content_key", "readout", "readout_doubt", "signs", "matched_to", "grade", "faults")
    frames = [tuple(row) for row in rows(database, *names)]
    with sqlite3.connect(database) as connection:
        query = "SELECT night, source, frames, rows, columns FROM run_rows JOIN run ON id = run_id"
        return frames, sorted(connection.execute(query).fetchall())


@pytest.mark.parametrize(
    "drawn",
    [
        {"noise_adu": 0.8, "slope_adu": 3.0, "level_adu": 350},
        {"noise_adu": 1.3, "slope_adu": 3.0, "level_adu": 350},
        {"noise_adu": 2.0, "slope_adu": 3.0, "level_adu": 350},
        {"noise_adu": 16.0, "grain": 16, "level_adu": 4000, "slope_adu": 48.0},
        {"noise_adu": 24.0, "grain": 16, "level_adu": 4000, "slope_adu": 48.0},
        {"noise_adu": 5.0, "grain": 4, "level_adu": 1500, "slope_adu": 12.0},
    ],
)
def test_clean_nights_of_low_noise_have_no_glitch(tmp_path, drawn):
    """Noise of 0.8 to 2 ADU, and 12 or 14 bits stored in 16, name no frame and leave no doubt."""
    write_night(tmp_path / "n", nothing, frames=4, **drawn)
    scan_into(tmp_path / "night.sqlite", tmp_path / "n")
    assert rows(tmp_path / "night.sqlite", "readout", "readout_doubt") == [(None, None)] * 4


def test_a_spoiled_frame_is_no_reference_and_spoils_no_other(tmp_path):
    """The frame with the fault is left out as a reference; all frames are matched to another."""
    write_night(tmp_path / "n", one_banded)
    scan_into(tmp_path / "night.sqlite", tmp_path / "n")
    found = rows(tmp_path / "night.sqlite", "content_key", "readout", "matched_to")
    spoiled = {row[0] for row in found if row[1]}
    references = {row[2] for row in found}
    assert len(references) == 1
    assert None not in references
    assert not spoiled & references


def test_measure_alone_only_suspects(tmp_path):
    """`runlog measure` knows one frame: what stands out is a note, and no fault."""
    picture = field(1)
    picture[320:350] += 36
    path = write_frame(tmp_path / "one.fits", picture)
    (row,) = runlog_json(tmp_path, "measure", path)["rows"]
    assert row["faults"] == []
    assert "rows 320 to 349 stand" in row["note"]
    assert "no other frame of this camera" in row["note"]


def test_real_frames_have_no_glitch(tmp_path):
    """Overscan, edges, seams, and a night of low noise: no real frame is named."""
    folder = real_frames()
    for part in ("night", "single"):
        scan_into(tmp_path / "night.sqlite", folder / part)
    assert not any(row[0] for row in rows(tmp_path / "night.sqlite", "readout"))
