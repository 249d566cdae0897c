"""Real sky frames from the ccdproc and astropy wheels go the whole way."""

import importlib.util
import json
import shutil
from pathlib import Path

import pytest

from tests.tools import here, rows, runlog_json


def folder_of(package, *parts):
    """Find a folder inside an installed package."""
    spec = importlib.util.find_spec(package)
    return Path(spec.submodule_search_locations[0]).joinpath(*parts)


CCDPROC = folder_of("ccdproc", "tests", "data", "a8280271.fits")
ASTROPY = folder_of("astropy", "io", "fits", "tests", "data")
PACKED = folder_of("astropy", "io", "fits", "hdu", "compressed", "tests", "data")
M13 = ["m13.fits", "m13_rice.fits", "m13_gzip.fits", "m13_hcomp.fits", "m13_plio.fits"]


def test_the_ccdproc_frame(tmp_path):
    """A real frame of a telescope is scanned and listed with its own header's values."""
    (tmp_path / "frames").mkdir()
    shutil.copy(CCDPROC, tmp_path / "frames")
    done = here(tmp_path, "scan", tmp_path / "frames")
    assert done.returncode in (0, 1), done.stderr
    assert "1 new" in done.stderr
    (row,) = runlog_json(tmp_path, "frames")["rows"]
    from astropy.io import fits

    header = fits.getheader(CCDPROC)
    assert row["exposure_s"] == pytest.approx(header["EXPTIME"])
    assert row["taken_at_utc"].startswith(header["DATE-OBS"][:10])


def test_the_m13_frames_are_one(tmp_path):
    """Plain, Rice, gzip, HCOMPRESS and PLIO forms of one frame are one frame in five files."""
    (tmp_path / "frames").mkdir()
    for name in M13:
        shutil.copy(PACKED / name, tmp_path / "frames")
    done = here(tmp_path, "scan", tmp_path / "frames", "--json")
    body = json.loads(done.stdout)
    assert body["failed"] == []
    assert (body["new"], body["duplicate"]) == (1, 4)
    (row,) = runlog_json(tmp_path, "frames")["rows"]
    assert len(row["paths"]) == 5
    assert rows(tmp_path / "night.sqlite", "width", "height")[0] == (300, 300)
    assert row["stars"] > 50


def test_every_fits_file_of_astropy_is_survived(tmp_path):
    """Astropy's own odd and broken FITS files: each a frame or a reason, none a crash."""
    folder = tmp_path / "frames"
    folder.mkdir()
    for path in [*ASTROPY.iterdir(), *PACKED.iterdir()]:
        if ".fit" in path.name:
            shutil.copy(path, folder)
    done = here(tmp_path, "scan", folder, "--json")
    assert done.returncode == 1
    body = json.loads(done.stdout)
    reasons = [entry["error"] for entry in body["failed"]]
    assert body["new"] > 5  # most are smaller than any picture
    assert any("holds no picture" in why for why in reasons)
    assert not [why for why in reasons if "made runlog fail" in why or "process die" in why]
    assert not [why for why in reasons if "\n" in why]
