"""`runlog schema` says what listings hold; the jsonschema library is the judge of both."""

import json
import shlex

import jsonschema
import pytest

from runlog.core.schema.listings import LISTINGS
from runlog.core.schema.meanings import MEANINGS
from runlog.core.schema.write import listed
from tests.cli.test_schema_of_plans import PLANS
from tests.tools import here, noise, runlog, write_frame

# What writes each listing.
WRITTEN_BY = {
    "frames": "frames", "measure": "measure frames/light_0.fits", "night": "night",
    "report": "report",
    "nights": "nights", "totals": "totals", "growth": "totals --by night",
    "published": "totals --publish", "forecast": "forecast", "targets": "targets",
    "target_changes": "targets log", "corrections": "correct --list", "notes": "note",
    "calibration": "calibration", "export": "export", "policy": "policy show",
    "policy-history": "policy history", "explain": "regrade --explain light_0.fits",
    "worth": "worth", "dither": "worth --dither", "losses": "losses", "sublength": "sublength",
    "roots": "roots", "check": "check",
}  # fmt: skip

# A line at a time, and of a server: tried where they are written.
STREAMS = ["watch", "club"]


@pytest.fixture(scope="module")
def home(tmp_path_factory):
    """Scan lights of a mosaic, darks and a file that is no frame; mark, correct, note, plan."""
    home = tmp_path_factory.mktemp("schema")
    for number in range(4):
        target = "M33" if number < 2 else f"NGC7000_Panel{number}"
        cards = {"DATE__OBS": f"2026-10-09T20:{number}0:00", "OBJECT": target, "FILTER": "L"}
        write_frame(home / "frames" / f"light_{number}.fits", noise(number), **cards)
    cards = {"DATE__OBS": "2026-10-09T23:00:00", "IMAGETYP": "Dark Frame"}
    write_frame(home / "frames" / "dark.fits", noise(9), **cards)
    (home / "frames" / "broken.fits").write_text("no frame")
    for line in (
        "scan frames", "mark --last keep", "mark light_2.fits doubtful",
        "mark light_0.fits keep", "goal M33 L 3",
        "note collimated --date 2026-10-09", "correct filter Ha light_1.fits", "correct --undo",
        "targets rename M33 'Spiral field'", "targets undo", "goal NGC7000 L 2",
    ):  # fmt: skip
        assert here(home, *shlex.split(line)).returncode in (0, 1), line
    return home


def test_every_listing_has_a_schema_and_is_tried(home):
    """Guards a new listing without one: the command names those there are."""
    named = [line.split()[0] for line in here(home, "schema").stdout.splitlines()]
    assert named == list(listed())
    assert list(LISTINGS) == [*WRITTEN_BY, *STREAMS]
    assert set(named) - set(LISTINGS) == {*PLANS, "scan"}


@pytest.mark.parametrize("name", WRITTEN_BY)
def test_what_is_written_is_what_the_schema_says(home, name):
    """Guards both: a key that is added, gone or of another type; and a schema that is none."""
    schema = json.loads(here(home, "schema", name).stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    done = here(home, *shlex.split(WRITTEN_BY[name]), "--json")
    body = json.loads(done.stdout)
    jsonschema.Draft202012Validator(schema).validate(body)
    assert body["rows"], name
    assert body["schema"] == schema["title"]


@pytest.mark.parametrize("name", ["frames", "totals", "export"])
def test_a_row_that_lacks_a_key_or_has_another_is_refused(home, name):
    """Guards a schema that lets everything pass."""
    validator = jsonschema.Draft202012Validator(json.loads(here(home, "schema", name).stdout))
    body = json.loads(here(home, *shlex.split(WRITTEN_BY[name]), "--json").stdout)
    body["rows"][0]["target"] = 7
    assert not validator.is_valid(body)
    del body["rows"][0]["target"]
    assert not validator.is_valid(body)
    body["rows"][0] |= {"target": "M 33", "invented": 1}
    assert not validator.is_valid(body)


def test_a_scan_is_what_its_schema_says(home, tmp_path):
    """Each of its keys, in a scan with a failure, a doubt, other formats and a kind."""
    schema = json.loads(here(home, "schema", "scan").stdout)
    jsonschema.Draft202012Validator.check_schema(schema)
    write_frame(tmp_path / "frames" / "light.fits", noise(1), DATE__OBS=None)
    (tmp_path / "frames" / "broken.fits").write_text("no frame")
    (tmp_path / "frames" / "picture.xyz").write_bytes(bytes(300_000))
    (tmp_path / "frames" / "light.fits.xz").write_bytes(b"packed")
    done = here(tmp_path, "scan", "frames", "--json")
    body = json.loads(done.stdout)
    jsonschema.validate(body, schema)
    filled = {"kinds", "failed", "doubts", "other_formats", "packed_otherwise"}
    assert done.returncode == 1 and all(body[key] for key in filled)
    assert body["schema"] == schema["title"] and body["new_rigs"] == []
    validator = jsonschema.Draft202012Validator(schema)
    assert not validator.is_valid(body | {"invented": 1})
    assert not validator.is_valid({k: v for k, v in body.items() if k != "new_rigs"})


def test_unreadable_files_and_second_opinions_fit_too(home):
    """Rows that are no frame, and a row with photutils' values, have the same schema."""
    for words, name in (
        ("frames --fault unreadable", "frames"),
        ("measure frames/light_0.fits --second-opinion", "measure"),
    ):
        schema = json.loads(here(home, "schema", name).stdout)
        body = json.loads(here(home, *words.split(), "--json").stdout)
        assert body["rows"]
        jsonschema.validate(body, schema)


def test_every_key_has_a_meaning_and_its_unit():
    """Guards a key without words: the schema is where they are looked up."""
    for name, listing in LISTINGS.items():
        for key in [*listing.keys, *listing.beside, *listing.optional]:
            assert f"{name}:{key}" in MEANINGS or key in MEANINGS, (name, key)


def test_the_real_command_writes_it(home):
    """As a subprocess: name, version, unit and meaning of a key; near names of a wrong one."""
    done = runlog(home, "schema", "runlog.frames/1")
    fwhm = json.loads(done.stdout)["properties"]["rows"]["items"]["properties"]["fwhm_px"]
    assert fwhm["unit"] == "px" and "half maximum" in fwhm["description"]
    assert fwhm["type"] == ["number", "null"]
    wrong = runlog(home, "schema", "frame")
    assert wrong.returncode == 2 and "Did you mean frames" in wrong.stderr
