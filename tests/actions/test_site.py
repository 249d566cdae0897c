"""A site that the config names otherwise moves Sun, Moon and airmass of frames that lean on it."""

import os
from datetime import timedelta

import ephem
import pytest

from runlog.actions.frames import frame_rows
from runlog.actions.open import open_store
from runlog.actions.regrade import regrade
from runlog.actions.rig_settings import adopt
from runlog.actions.scan import scan
from runlog.actions.settle import settle_all
from runlog.config import Settings
from runlog.core.sky.nights import Clock
from samples.maker.quick import make_run
from tests.tools import mark_settled

# One longitude, so that the frames stay in their night; latitudes far apart.
NORTH = Settings(latitude_deg=60.0, longitude_deg=15.0, clock=Clock(15.0))
SOUTH = Settings(latitude_deg=35.0, longitude_deg=15.0, clock=Clock(15.0))
NOWHERE = Settings(clock=Clock(15.0))
NO_SITE = {"SITELAT": None, "SITELONG": None, "SITEELEV": None, "AIRMASS": None}


def moon_alt_deg(row, settings):
    """Give the Moon's altitude by ephem, a second opinion, air's bending left out."""
    place = ephem.Observer()
    place.lat, place.lon = str(settings.latitude_deg), str(settings.longitude_deg)
    place.pressure = 0
    place.date = (row["taken_at_utc"] + timedelta(seconds=150)).replace(tzinfo=None)
    return float(ephem.Moon(place).alt) * 57.29577951


@pytest.fixture
def night(tmp_path):
    """Scan five frames that lean on the config's site and two that know their own."""
    make_run(tmp_path / "frames", frames=5, size=(420, 560), cards=NO_SITE)
    make_run(tmp_path / "own", frames=2, seed=9, size=(420, 560), target="NGC7000")
    engine = open_store(str(tmp_path / "x.sqlite"), NORTH)
    scan(engine, NORTH, [os.fsencode(tmp_path)], workers=2)
    yield engine
    engine.dispose()


def graded_by(engine, settings):
    """Put settings in force and grade by them; gives how many runs were settled."""
    adopt(engine, settings, None, "tester")
    return settle_all(engine, settings)


def leaning(engine):
    """Give the rows of the frames without a site, and of those with one."""
    rows = frame_rows(engine)
    lean = [r for r in rows if "frames" in r["path"].split(os.sep)]
    return lean, [r for r in rows if r not in lean]


def test_regrading_looks_again(night):
    """After a change of site every frame without its own has the Moon and airmass of the new."""
    lean, own = leaning(night)
    for row in lean:
        assert row["moon_alt_deg"] == pytest.approx(moon_alt_deg(row, NORTH), abs=0.2)
    assert graded_by(night, SOUTH) == 1
    moved, stayed = leaning(night)
    assert stayed == own
    for row, before in zip(moved, lean, strict=True):
        assert row["moon_alt_deg"] == pytest.approx(moon_alt_deg(row, SOUTH), abs=0.2)
        assert abs(row["moon_alt_deg"] - before["moon_alt_deg"]) > 5
        assert row["airmass"] != before["airmass"]
    assert regrade(night, SOUTH) == 0


def test_settling_keeps_the_site_in_force(night):
    """A run that another machine settles keeps the site its rig is graded by, until it is told."""
    lean, _ = leaning(night)
    mark_settled(night, SOUTH, [lean[0]["path"]], "reject", None, "tester")
    stayed, _ = leaning(night)
    for row in stayed:
        assert row["moon_alt_deg"] == pytest.approx(moon_alt_deg(row, NORTH), abs=0.2)


def test_a_site_that_is_taken_out(night):
    """Without any site there is no Moon: nothing is left over from the one before."""
    graded_by(night, NOWHERE)
    moved, own = leaning(night)
    assert {(r["moon_alt_deg"], r["airmass"]) for r in moved} == {(None, None)}
    assert None not in {r["moon_alt_deg"] for r in own}
