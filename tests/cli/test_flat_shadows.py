"""Flats that no longer fit the lights: real files from the scan to the listing."""

import json
import sqlite3
from contextlib import closing

import numpy as np
import pytest

from tests.core.calibration.test_shadows import response
from tests.tools import database_of, here, runlog_json, write_frame

OWN = np.kron(response(4, depth=0.04), np.ones((2, 2)))  # 480 x 640 pixels
TURNED = OWN[::-1, ::-1]


def write(folder, night, kind, light, of, seed, **cards):
    """Write a frame of a level above 500 ADU, through a response."""
    random = np.random.default_rng(seed)
    electrons = random.normal(light * of, np.sqrt(light) + 3)
    pixels = (500 + electrons).clip(0, 65_535).astype(np.uint16)
    named = f"{night}_{kind}_{seed}.fits".replace(" ", "")
    minute = f"{night}T{20 + seed // 60}:{seed % 60:02d}:00"
    write_frame(folder / named, pixels, IMAGETYP=kind, DATE__OBS=minute, **cards)


def night_of(folder, night, flats, lights):
    """Write bias frames, flats and lights of one night."""
    for i in range(4):
        write(folder, night, "Bias Frame", 0.0, OWN, i, EXPTIME=0.0, FILTER=None)
    if flats is not None:
        for i in range(5):
            write(folder, night, "Flat Field", 25_000.0, flats, 10 + i, EXPTIME=2.0, FILTER="L")
    for i in range(6):
        write(folder, night, "Light Frame", 3_000.0, lights, 60 + 6 * i, EXPTIME=300.0, FILTER="L")


def doubts(home):
    """Scan, keep all lights, and name what is doubted or not known of the flats."""
    assert here(home, "scan", home / "frames").returncode == 0
    names = sorted((home / "frames").glob("*Light*"))
    assert here(home, "mark", *names, "keep").returncode == 0
    return {j["doubt"]: j["reason"] for j in runlog_json(home, "calibration")["judged"]}


def test_flats_of_before_the_camera_was_turned(tmp_path):
    """Flats that fit say nothing; lights of a turned camera tell; new flats say since when."""
    frames = tmp_path / "frames"
    night_of(frames, "2026-10-05", OWN, OWN)
    assert doubts(tmp_path) == {}
    night_of(frames, "2026-10-08", None, TURNED)
    found = doubts(tmp_path)
    assert set(found) == {"other-dust"}
    assert "not that of the lights of 2026-10-08" in found["other-dust"]
    shown = here(tmp_path, "calibration").stdout
    assert "Doubtful calibration frames" in shown
    night_of(frames, "2026-10-10", TURNED, TURNED)
    found = doubts(tmp_path)
    assert set(found) == {"dust-moved"}
    assert "since the flats of 2026-10-05" in found["dust-moved"]


def test_no_pair_of_pictures_is_compared_twice(tmp_path):
    """What a pair showed is kept until one of its pictures is another."""
    frames, home = tmp_path / "frames", tmp_path
    night_of(frames, "2026-10-05", OWN, TURNED)
    found = doubts(home)
    assert set(found) == {"other-dust"}
    (kept,) = dust(home)

    def forged(depth):
        said = json.dumps(json.loads(kept[2]) | {"depth": depth})
        with closing(sqlite3.connect(database_of(home))) as connection, connection:
            connection.execute("UPDATE run_dust SET shadows = ?", [said])
        return reason(home)

    assert "77.0% deep" in forged(0.77), "it was looked at again"
    assert here(home, "mark", sorted(frames.glob("*Light*"))[0], "reject").returncode == 0
    assert "77.0% deep" not in reason(home), "one of the pictures is another"
    assert len(dust(home)) == 1, "what nobody asks for again stays"


def dust(home):
    """Read what is kept of flats' dust."""
    with closing(sqlite3.connect(database_of(home))) as connection:
        return connection.execute("SELECT * FROM run_dust").fetchall()


def reason(home):
    """Say what is doubted of the only flats."""
    (one,) = runlog_json(home, "calibration")["judged"]
    return one["reason"]


@pytest.mark.parametrize(
    ("flats", "words"), [(np.ones_like(OWN), "they show no shadow"), (OWN, "no picture of them")]
)
def test_what_cannot_be_told_of_dust_is_said(tmp_path, flats, words):
    """Clean flats, and flats of which no picture is stored: unknown, and why."""
    night_of(tmp_path / "frames", "2026-10-05", flats, OWN)
    assert here(tmp_path, "scan", tmp_path / "frames").returncode == 0
    if words.startswith("no picture"):
        forget_pictures_of_flats(tmp_path)
    assert words in doubts(tmp_path)["shadows-unknown"]
    assert "Not known of calibration frames" in here(tmp_path, "calibration").stdout


def forget_pictures_of_flats(home):
    """Leave the database as an earlier version did, which kept no pictures of flats."""
    from sqlalchemy import delete, select

    from runlog.store import models as m
    from runlog.store.engine import open_engine, writing

    engine = open_engine(database_of(home))
    with writing(engine) as connection:
        flats = select(m.frame.c.id).where(m.frame.c.kind == "flat")
        gone = connection.execute(delete(m.preview).where(m.preview.c.frame_id.in_(flats)))
        assert gone.rowcount == 5
    engine.dispose()
