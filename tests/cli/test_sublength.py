"""runlog sublength on a real database of a drawn night."""

import csv
import io

import numpy as np
import pytest

from runlog.core.worth.sub_length import Conditions, lengths
from runlog.store.engine import open_engine
from runlog.store.migrate import ready
from tests.measured import Night, outcomes, put
from tests.tools import here, noise, runlog_json, write_frame

KEYS = """rig filter setting frames usual_s best_s low_s high_s too_short too_long usual_share
swamp_s clip_s clipped_stars sky_e_s read_noise_e read_noise_from overhead_s spoilt_a_h
spoilt_frames spell_frames open_shutter_s spoiling text why""".split()
SPOILT, SPELL = (3, 20, 31), range(40, 46)
READ_E, EGAIN, NOISE_ADU = 3.0, 0.8, 20.0


def home_of(folder, **own):
    """Make a home with a night of 60 frames, three trailed one by one and six in a row."""
    engine = ready(open_engine(str(folder / "night.sqlite")))
    trailed = {n: {"eccentricity": 0.88} for n in (*SPOILT, *SPELL)}
    put(engine, outcomes(Night("2026-10-09", frames=60, own=trailed, **own)))
    engine.dispose()
    return folder


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """A home whose frames tell their read noise."""
    return home_of(tmp_path_factory.mktemp("sub"), cards=(("RDNOISE", READ_E),))


def test_numbers_are_those_of_the_night(home):
    """Sky, overhead and spoiling as drawn; the range is that of the formula for them."""
    body = runlog_json(home, "sublength")
    assert body["schema"] == "runlog.sublength/1"
    (row,) = body["rows"]
    assert list(row) == KEYS
    sky = ((NOISE_ADU * EGAIN) ** 2 - READ_E**2) / 300
    assert row["sky_e_s"] == pytest.approx(sky)
    assert (row["read_noise_e"], row["read_noise_from"]) == (READ_E, "header")
    assert row["overhead_s"] == pytest.approx(12.0)
    assert (row["spoilt_frames"], row["spell_frames"]) == (len(SPOILT), len(SPELL))
    rate = -np.log(1 - 3 / 54) / 300
    assert row["spoilt_a_h"] == pytest.approx(3600 * rate)
    found = lengths(Conditions(sky, READ_E, 12.0, rate))
    assert [row["low_s"], row["best_s"], row["high_s"]] == pytest.approx(
        [found.low_s, found.best_s, found.high_s], rel=1e-6
    )
    assert row["too_long"] == "spoilt frames"
    assert "3 frames spoilt by trailing" in row["spoiling"]
    assert "6 in spells left out" in row["spoiling"]


def test_shown(home):
    """The table, the sentence and CSV; nothing stored, nothing said."""
    shown = here(home, "sublength").stdout
    assert "are all within 2 % of the best" in shown and "your 300 s" in shown
    rows = list(csv.DictReader(io.StringIO(here(home, "sublength", "--csv").stdout)))
    assert list(rows[0]) == KEYS
    assert "No light frame" in here(home, "sublength", "--night", "2026-01-01").stderr


def test_unknown_without_read_noise_or_gain(tmp_path):
    """Neither is guessed: the sentence says which is missing."""
    for name, cards, why in (
        ("read", (), "the read noise is unknown"),
        ("gain", (("RDNOISE", READ_E), ("EGAIN", None)), "the electrons per ADU are unknown"),
    ):
        folder = tmp_path / name
        folder.mkdir()
        (row,) = runlog_json(home_of(folder, cards=cards), "sublength")["rows"]
        assert row["text"].startswith("unknown, because") and why in row["text"]
        assert (row["low_s"], row["best_s"], row["sky_e_s"]) == (None, None, None)


def test_read_noise_from_bias_frames(tmp_path):
    """Where the header is silent, a bias frame of the same setting tells: noise times e/ADU."""
    home_of(tmp_path)
    pixels = np.clip(np.random.default_rng(1).normal(500, 4.0, noise(1).shape), 0, None)
    cards = {
        "DATE__OBS": "2026-10-10T05:00:00", "IMAGETYP": "Bias Frame", "EXPTIME": 0.0,
        "INSTRUME": "MonoCam 9", "TELESCOP": "Ladybird 90/540", "GAIN": 100, "EGAIN": EGAIN,
        "FOCALLEN": 540.0, "XPIXSZ": 3.76, "SITELAT": 47.5, "SITELONG": 16.0,
    }  # fmt: skip
    write_frame(tmp_path / "frames" / "bias.fits", pixels.round(), **cards)
    assert here(tmp_path, "scan", "frames").returncode == 0
    (row,) = runlog_json(tmp_path, "sublength")["rows"]
    assert row["read_noise_from"] == "bias frames"
    assert row["read_noise_e"] == pytest.approx(4.0 * EGAIN, rel=0.02)
    assert row["low_s"] is not None
