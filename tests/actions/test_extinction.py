"""Transparency on drawn frames: the air of the night is taken out by the run's own slope."""

import json
import os
from datetime import UTC, datetime, timedelta

import pytest

from runlog.actions.frames import frame_rows
from runlog.actions.open import open_store
from runlog.actions.regrade import explain, regrade
from runlog.actions.scan import scan
from runlog.config import Settings
from runlog.core.grading.policy import extinction_mag
from samples.maker.quick import make_run
from samples.maker.scenario import TARGETS
from samples.maker.shot import Rig
from samples.maker.sky import Direction, circumstances
from tests.tools import here

FRAMES = 14
FIRST = datetime(2026, 10, 9, 23, 30, tzinfo=UTC)
STEP = timedelta(minutes=26)
LENGTH_S = 300.0


def drawn_airmass(start):
    """Give the airmass by the maker of samples, which shares no code with what it tests."""
    place = TARGETS["M 33"]
    middle = start + timedelta(seconds=LENGTH_S / 2)
    return circumstances(Direction(place.ra_deg, place.dec_deg), middle, Rig().site).airmass


def drawn_night(folder, mag):
    """Draw a clear night whose air takes `mag` per airmass; gives the airmasses."""
    airmasses = []
    for n in range(FRAMES):
        start = FIRST + n * STEP
        airmasses.append(drawn_airmass(start))
        make_run(folder, frames=1, seed=3, size=(300, 400), start_utc=start, exposure_s=LENGTH_S,
                 transparency=10 ** (-0.4 * mag * airmasses[-1]), cards={"AIRMASS": None},
                 overrides={0: {"name": f"light_{n:02d}.fits", "seed": (3, n)}})  # fmt: skip
    return airmasses


@pytest.mark.parametrize("mag", [0.08, 0.42])
def test_a_clear_night_is_clear_to_its_end(tmp_path, mag):
    """Air unlike the default looks clear at every airmass; by the default it would not."""
    airmasses = drawn_night(tmp_path / "frames", mag)
    span = max(airmasses) - min(airmasses)
    assert span > 0.6
    engine = open_store(str(tmp_path / "x.sqlite"), Settings())
    scan(engine, Settings(), [os.fsencode(tmp_path / "frames")], workers=2)
    rows = frame_rows(engine)
    # The maker leaves precession out: a third of a degree since 2000, 1.5 % at airmass 2.3.
    assert [r["airmass"] for r in rows] == pytest.approx(airmasses, rel=0.02)
    clear = [r["transparency"] for r in rows]
    # Photon noise of the matched stars leaves 1 to 2 % a frame.
    assert max(clear) / min(clear) < 1.08
    by_default = 10 ** (0.4 * abs(mag - extinction_mag("L")) * span)
    assert by_default > 1.08
    assert {r["grade"] for r in rows} == {"keep"}
    found = explain(engine, Settings(), rows[0]["fingerprint"])
    assert found.judged.extinction.mag == pytest.approx(mag, abs=0.04)
    assert "own slope" in found.judged.extinction.source
    regrade(engine, Settings(), everything=True)
    again = [r["transparency"] for r in frame_rows(engine)]
    assert again == clear
    engine.dispose()
    words = ("regrade", "--explain", rows[0]["fingerprint"], "--json")
    body = json.loads(here(tmp_path, "--db", tmp_path / "x.sqlite", *words).stdout)
    assert body["extinction_mag"] == found.judged.extinction.mag
    assert body["extinction_from"] == found.judged.extinction.source
