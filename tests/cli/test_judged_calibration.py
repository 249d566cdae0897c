"""runlog calibration says which frames may not be fit for use: real files, scanned and judged."""

import shutil

import numpy as np
import pytest

from tests.tools import here, noise, runlog_json, write_frame

NIGHT = "2026-10-09"
OLD = "2021-03-05T19:00:00"
SIZE = (200, 300)


def frames(folder, kind, level, n=4, scatter=4.0, **cards):
    """Write a set of frames of a level, a minute apart."""
    for i in range(n):
        random = np.random.default_rng([i, len(kind), round(level)])
        pixels = random.normal(level, scatter, SIZE).clip(0, 65_535).astype(np.uint16)
        name = f"{kind}_{round(level)}_{i}.fits".replace(" ", "")
        own = {
            "IMAGETYP": kind,
            "DATE__OBS": f"{NIGHT}T19:{i:02d}:{round(level) // 1000 % 60:02d}",
            "FILTER": None,
        }
        write_frame(folder / name, pixels, **own | cards)


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """A home with sound bias frames and flats in G, full ones in R, faint in B, warm darks."""
    home = tmp_path_factory.mktemp("judged")
    folder = home / "frames"
    for i in range(3):
        name = folder / f"light_{i}.fits"
        write_frame(name, noise(i, SIZE), FILTER="R", DATE__OBS=f"{NIGHT}T21:{5 * i:02d}:00")
    frames(folder, "Bias Frame", 500.0, EXPTIME=0.0)
    frames(folder, "Flat Field", 64_900.0, scatter=600.0, EXPTIME=2.0, FILTER="R")
    frames(folder, "Flat Field", 2_500.0, scatter=50.0, EXPTIME=2.0, FILTER="B")
    frames(folder, "Flat Field", 25_000.0, scatter=200.0, EXPTIME=2.0, FILTER="G")
    warm = {"SET__TEMP": -10.0, "CCD__TEMP": -6.0}
    frames(folder, "Dark Frame", 520.0, EXPTIME=300.0, **warm)
    done = here(home, "scan", folder)
    assert done.returncode == 0, done.stderr
    assert here(home, "mark", *sorted(folder.glob("light_*")), "keep").returncode == 0
    return home


def test_what_is_doubtful_is_named_with_its_reason(home):
    """Full flats and warm darks may serve the lights in R; the faint ones in B serve none."""
    body = runlog_json(home, "calibration")
    doubts = [(j["kind"], j["filter"], j["doubt"], j["frames"], j["of"]) for j in body["judged"]]
    assert sorted(doubts) == [
        ("dark", None, "temperature", 4, 4),
        ("flat", "R", "clipped", 4, 4),
        ("flat", "R", "shadows-unknown", 4, 4),
    ]  # fmt: skip
    (row,) = body["rows"]
    assert any("set to -10 C, taken at -6 C" in doubt for doubt in row["doubts"])
    assert any("all clipped" in doubt for doubt in row["doubts"])


def test_the_screen_names_them(home):
    """Below the table, with set and night; not among what is missing."""
    shown = here(home, "calibration").stdout
    assert "Doubtful calibration frames" in shown
    assert "flats through R" in shown
    assert "Doubtful" not in here(home, "calibration", "--missing").stdout


def test_frames_too_old_for_the_lights_are_left_until_older_lights_are_asked_for(home, tmp_path):
    """Guards an archive: flats of years ago are judged beside the lights of then; that is said."""
    folder = tmp_path / "frames"
    shutil.copytree(home / "frames", folder)
    frames(folder, "Flat Field", 64_900.0, 3, 600.0, EXPTIME=2.0, FILTER="R", DATE__OBS=OLD)
    for i in range(3):
        cards = {"FILTER": "R", "DATE__OBS": OLD.replace("T19", f"T2{i}")}
        write_frame(folder / f"light_old_{i}.fits", noise(10 + i, SIZE), **cards)
    assert here(tmp_path, "scan", folder).returncode == 0
    assert here(tmp_path, "mark", *sorted(folder.glob("light_*")), "keep").returncode == 0
    nights = {j["night"] for j in runlog_json(tmp_path, "calibration")["judged"]}
    assert nights == {NIGHT}
    shown = here(tmp_path, "calibration")
    assert "before 2025-10-09 are not judged here" in shown.stdout + shown.stderr
    body = runlog_json(tmp_path, "calibration", "--since", "2020-01-01")
    assert {j["night"] for j in body["judged"]} == {NIGHT, OLD[:10]}
    assert body["judged_since"] is None


def test_all_are_judged_where_no_light_is_kept(home, tmp_path):
    """Flats taken before the first light: the faint ones are told as well."""
    done = here(tmp_path, "scan", home / "frames")
    assert done.returncode == 0
    judged = runlog_json(tmp_path, "calibration")["judged"]
    assert ("flat", "B", "faint") in {(j["kind"], j["filter"], j["doubt"]) for j in judged}
    assert "faint" in here(tmp_path, "calibration").stdout
