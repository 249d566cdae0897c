"""`runlog measure --second-opinion` as the real command, on files of every kind."""

import csv
import io
import json

import numpy as np
import pytest
from astropy.io import fits

from runlog.cli.second_opinion import VALUES
from tests.measure.fields import Sensor, draw_field, moffat
from tests.tools import here

KEYS = set(
    "background_adu noise_adu stars sources listed_stars fwhm_px fwhm_moments_px hfr_px "
    "axis_ratio eccentricity flux_adu".split()
)
WHO = {"runlog", "photutils", "difference", "words"}
CLEAN = Sensor(hot_fraction=0.0, cosmic_rays=0)


def write(path, pixels, kind, **cards):
    hdu = fits.PrimaryHDU(pixels)
    hdu.header.update({"IMAGETYP": kind, "EXPTIME": 60.0, "DATE-OBS": "2026-03-04T21:00:00"})
    hdu.header.update(cards)
    hdu.writeto(path)


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """A light, an empty light, a dark, a colour mosaic and a file that is no FITS."""
    home = tmp_path_factory.mktemp("opinions")
    light = draw_field(moffat(3.0), seed=5, stars=80, height=400, width=500, sensor=CLEAN,
                       snr_range=(60, 800)).pixels  # fmt: skip
    rng = np.random.default_rng(1)
    write(home / "light.fits", light, "Light Frame")
    write(home / "mosaic.fits", light, "Light Frame", BAYERPAT="RGGB")
    write(home / "empty.fits", rng.normal(500, 9, (300, 300)).astype(np.uint16), "Light Frame")
    write(home / "dark.fits", rng.normal(300, 9, (300, 300)).astype(np.uint16), "Dark Frame")
    (home / "broken.fits").write_text("no picture at all")
    return home


def asked(home, name, *more):
    return here(home, "measure", name, "--second-opinion", *more)


def opinion(home, name):
    body = json.loads(asked(home, name, "--json").stdout)
    assert body["schema"] == "runlog.measure/1"
    return body["rows"][0]["second_opinion"]


@pytest.mark.parametrize("name", ["light", "mosaic", "empty", "dark"])
def test_json_has_the_same_keys_whatever_the_file(home, name):
    """Guards the contract: what is unknown is null, never missing."""
    found = opinion(home, f"{name}.fits")
    assert set(found) == {"photutils_version", "stars_compared", "remark", "values"}
    assert set(found["values"]) == KEYS == set(VALUES)
    for value in found["values"].values():
        assert set(value) == WHO
        if value["difference"] is not None:
            assert value["difference"] == pytest.approx(value["photutils"] - value["runlog"])
            assert value["words"]


@pytest.mark.parametrize("name", ["light", "mosaic"])
def test_stars_are_compared(home, name):
    """Guards the file's way through the command: both widths near the 3.1 px drawn."""
    found = opinion(home, f"{name}.fits")
    assert found["remark"] is None
    assert found["stars_compared"] > 30
    assert found["values"]["fwhm_px"]["runlog"] == pytest.approx(3.11, rel=0.02)
    assert found["values"]["fwhm_px"]["photutils"] == pytest.approx(3.11, rel=0.09)


def test_the_table_says_what_differs(home):
    """Guards the words for people: a heading with the version, a line a value, its difference."""
    told = asked(home, "light.fits").stdout
    assert "light.fits, measured again by photutils 3" in told
    for label, _, _ in VALUES.values():
        assert label in told
    assert "what differs by definition" in told
    assert "half maximum" in told
    assert " %" in told


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("empty.fits", "runlog gives no width to compare with: no stars found"),
        ("dark.fits", "dark frame: runlog looks for no stars on it"),
    ],
)
def test_what_has_no_stars_says_so(home, name, words):
    """Guards clear words where there is little to compare; background and noise still are."""
    done = asked(home, name)
    assert done.returncode == 0
    assert words in done.stdout
    assert "noise ADU" in done.stdout
    assert "FWHM px, fitted" not in done.stdout


def test_an_unreadable_file_says_why(home):
    """Guards the exit code and the reason, beside a file that can be read."""
    done = here(home, "measure", "broken.fits", "dark.fits", "--second-opinion", "--json")
    assert done.returncode == 1
    assert "broken.fits: is not FITS" in done.stderr
    rows = json.loads(done.stdout)["rows"]
    assert rows[0]["second_opinion"] is None
    assert rows[1]["second_opinion"]["values"]["noise_adu"]["photutils"] > 0


def test_csv_holds_it_in_one_column(home):
    """Guards CSV: one more column, its object as JSON text."""
    (row,) = csv.DictReader(io.StringIO(asked(home, "dark.fits", "--csv").stdout))
    assert json.loads(row["second_opinion"])["remark"].startswith("dark frame")


def test_nothing_changes_where_it_is_not_asked(home):
    """Guards the usual output: no key more, no column more."""
    (row,) = json.loads(here(home, "measure", "dark.fits", "--json").stdout)["rows"]
    assert "second_opinion" not in row
    assert "second_opinion" not in here(home, "measure", "dark.fits", "--csv").stdout
