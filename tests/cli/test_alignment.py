"""runlog alignment: nights of turning star lists, matched and settled by the real code."""

from dataclasses import replace

import numpy as np
import pytest

from runlog.actions.open import open_store
from runlog.config import Settings
from runlog.core.frame import StarList
from tests.core.alignment.drawn import angles
from tests.core.alignment.tracked import Mount, looked
from tests.measured import EVERY_S, HEIGHT, WIDTH, Night, outcomes, put
from tests.tools import here, runlog_json

# An hour angle of M 33 at 21:00 UTC at 16 E in the middle of October, near enough for angles.
BEGIN_DEG, LATITUDE, DEC, FRAMES = -23.0, 47.5, 30.66, 40
UP, EAST = 14.0, -9.0


def turning(evening, up, east, **more):
    """Turn each frame's stars about the middle as a mount off the pole does."""
    night = Night(evening, FRAMES, **more)
    hours = BEGIN_DEG + np.arange(FRAMES) * EVERY_S / 3600 * 15.041
    found = []
    for outcome, turn in zip(
        outcomes(night), np.radians(angles(hours, DEC, LATITUDE, up, east)), strict=True
    ):
        stars = outcome.frame.measurement.star_list
        at = np.array(stars.x) - WIDTH / 2 + 1j * (np.array(stars.y) - HEIGHT / 2)
        at = at * np.exp(1j * turn)
        x, y = (at.real + WIDTH / 2).tolist(), (at.imag + HEIGHT / 2).tolist()
        turned = replace(
            outcome.frame.measurement, star_list=StarList(tuple(x), tuple(y), stars.flux_adu)
        )
        found.append(replace(outcome, frame=replace(outcome.frame, measurement=turned)))
    return found


def drifting(evening):
    """Let nothing guide the mount, on a camera whose angle the headers' world coordinates tell."""
    mount = Mount(UP, EAST, LATITUDE, DEC, arcsec_per_px=1.436, camera_deg=120.0)
    hours = BEGIN_DEG + np.arange(FRAMES) * EVERY_S / 3600 * 15.041
    turn, x, y, matrix = looked(mount, hours, np.random.default_rng(4))
    cards = [(f"CD{i}_{j}", matrix[i - 1][j - 1] / 3600) for i in (1, 2) for j in (1, 2)]
    cards += [("CTYPE1", "RA---TAN"), ("CTYPE2", "DEC--TAN")]
    found = []
    for n, outcome in enumerate(outcomes(Night(evening, FRAMES, cards=tuple(cards)))):
        stars = outcome.frame.measurement.star_list
        at = np.array(stars.x) - WIDTH / 2 + 1j * (np.array(stars.y) - HEIGHT / 2)
        at = at * np.exp(1j * np.radians(turn[n])) + x[n] + 1j * y[n]
        where = tuple((at.real + WIDTH / 2).tolist()), tuple((at.imag + HEIGHT / 2).tolist())
        moved = replace(outcome.frame.measurement, star_list=StarList(*where, stars.flux_adu))
        found.append(replace(outcome, frame=replace(outcome.frame, measurement=moved)))
    return found


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """A night with an axis 17' off."""
    home = tmp_path_factory.mktemp("alignment")
    engine = open_store(str(home / "night.sqlite"), Settings(), make=True)
    put(engine, turning("2026-10-14", UP, EAST))
    engine.dispose()
    return home


def test_a_night(home):
    """The axis put in comes out, with the side where the person says the image is not mirrored."""
    body = runlog_json(home, "alignment", "--mirrored", "no")
    assert body["schema"] == "runlog.alignment/1"
    (row,) = body["rows"]
    assert row["reason"] is None
    assert row["sense"] == "known"
    assert row["up_arcmin"] == pytest.approx(UP, abs=1.5)
    assert row["east_arcmin"] == pytest.approx(EAST, abs=1.5)


def test_words(home):
    """Without parity the size is told and the side is not; CSV has the keys."""
    said = here(home, "alignment").stdout
    assert "which way is unknown" in said
    assert "' from the pole (90 %" in said
    assert here(home, "alignment", "--csv").stdout.startswith("night,rig,frames,arc_h,up_arcmin")
    done = here(home, "alignment", "--night", "2026-01-01")
    assert (done.returncode, done.stdout) == (0, "")
    assert "No light frame that fits" in done.stderr


def test_a_reason_that_nights_share_is_told_once(tmp_path):
    """With the nights it is about, before all else; each night still tells what is its own."""
    engine = open_store(str(tmp_path / "night.sqlite"), Settings(), make=True)
    short = [f"2026-10-{day}" for day in (10, 11, 12)]
    for evening in short:
        put(engine, outcomes(Night(evening, 6)))
    put(engine, turning("2026-10-14", UP, EAST))
    engine.dispose()
    rows = runlog_json(tmp_path, "alignment")["rows"]
    (reason,) = {row["reason"] for row in rows if row["night"] in short}
    said = " ".join(here(tmp_path, "alignment").stdout.split())
    assert said.count(f"unknown, because {reason}.") == 1
    assert f"Nights of {', '.join(short)} Polar axis: unknown, because {reason}." in said
    assert [f"Night of {row['night']}" in said for row in rows] == [False, False, False, True]
    assert "' from the pole (90 %" in said
    # Of one night alone it stands below its own heading.
    said = " ".join(here(tmp_path, "alignment", "--night", short[0]).stdout.split())
    assert f"Night of {short[0]}" in said and said.count(reason) == 1


@pytest.fixture(scope="module")
def unguided(tmp_path_factory):
    """A night of the same axis on which nothing guided."""
    home = tmp_path_factory.mktemp("unguided")
    engine = open_store(str(home / "night.sqlite"), Settings(), make=True)
    put(engine, drifting("2026-10-14"))
    engine.dispose()
    return home


def test_a_night_that_was_not_guided(unguided):
    """The drift shows it, and is used by the angle that headers tell, if that is not denied."""
    (row,) = runlog_json(unguided, "alignment")["rows"]
    assert (row["guided"], row["drift_used"], row["sense"]) == (False, True, "known")
    assert (row["up_arcmin"], row["east_arcmin"]) == pytest.approx((UP, EAST), abs=1.5)
    assert row["drift_dec_arcsec_h"] == pytest.approx(140, abs=60)
    assert "drift used beside rotation" in here(unguided, "alignment").stdout
    said = " ".join(here(unguided, "alignment", "--mirrored", "yes").stdout.split())
    assert "not of the sense that is said of the image" in said
