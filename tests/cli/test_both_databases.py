"""What is printed does not hang on the kind of database: rows, their order, every digit."""

import json
import os
from pathlib import Path
from unittest import mock

import pytest

from tests.tools import DATABASE_VARIABLE, here, moment, noise, write_frame, write_run

LISTINGS = """frames|nights|night 2026-10-09|totals|calibration|targets list|forecast
check|frames --rig ladybird|frames --fault unreadable
tonight --date 2026-10-20|ahead --date 2026-10-20"""
OWN = ("tables of version", "integrity: ")  # what a database says of itself


def write_archive(folder: Path) -> None:
    """Write frames whose sorting tells databases apart: no date, case, signs, no name."""
    write_run(folder / "a", 3)
    for i, target in enumerate(
        ("alpha field", "Beta field", "[eta] field", "_odd", "M 31", "m 101")
    ):
        start = moment(4000 + 400 * i)
        write_frame(folder / "b" / f"{i}.fits", noise(40 + i), OBJECT=target, DATE__OBS=start)
    for i, rig in enumerate(("zeta 80/480", "Alpha 120", "~eta", None)):
        start = moment(8000 + 400 * i)
        write_frame(folder / "c" / f"{i}.fits", noise(60 + i), TELESCOP=rig, DATE__OBS=start)
    for i in range(3):
        write_frame(folder / "d" / f"{i}.fits", noise(80 + i), DATE__OBS=None, GAIN=None)
        write_frame(folder / "d" / f"dark{i}.fits", noise(90 + i), IMAGETYP="Dark", FILTER=None)
    write_frame(folder / "e" / "stack.fits", noise(99), NCOMBINE=9, DATE__OBS=moment(10_000))
    (folder / "e" / "bad.fits").write_bytes(b"SIMPLE  = nothing")


@pytest.fixture(scope="module")
def homes(tmp_path_factory, server, migrated):
    """Scan the same frames into a file and into a server's database; give what each is told."""
    base = tmp_path_factory.mktemp("both")
    write_archive(base / "frames")
    with server.database(migrated) as url:
        told = {"sqlite": {DATABASE_VARIABLE: ""}, "postgresql": {DATABASE_VARIABLE: url}}
        for environ in told.values():
            with mock.patch.dict(os.environ, environ):
                assert here(base, "scan", base / "frames").returncode == 1  # one is bad
                here(base, "mark", "light_0001.fits", "keep")
                here(base, "goal", "M 33", "L", "5")
                here(base, "targets", "merge", "alpha field", "Beta field")
        yield base, told


def apart_from_itself(stdout, form):
    """Give what a listing says, but for what a database says of itself."""
    found = json.loads(stdout)["rows"] if form == "--json" else stdout.splitlines()
    return [row for row in found if not any(own in str(row) for own in OWN)]


@pytest.mark.parametrize("words", LISTINGS.replace("\n", "|").split("|"))
@pytest.mark.parametrize("form", ["--json", "--csv"])
def test_listings_are_alike(homes, words, form):
    """Each listing says the same of the same frames, in the same order."""
    base, told = homes
    said = []
    for environ in told.values():
        with mock.patch.dict(os.environ, environ):
            done = here(base, *words.split(), form)
        assert "Traceback" not in done.stderr
        assert done.returncode == 0, done.stderr
        said.append([*apart_from_itself(done.stdout, form), done.stderr])
    assert len(said[0]) > 1
    assert said[0] == said[1]
