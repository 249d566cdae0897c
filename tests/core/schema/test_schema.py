"""The schema of each listing, judged by the jsonschema library and by frames' own values."""

import json

import jsonschema
import pytest

from runlog.core.published import PUBLISHED, value_of
from runlog.core.schema.listings import LISTINGS, kinds_of
from runlog.core.schema.meanings import MEANINGS, unit_of
from runlog.core.schema.write import schema_of
from tests.core.runs import clean_run


def item(name):
    """Give what a row of a listing is."""
    schema = schema_of(name)
    return schema if LISTINGS[name].stream else schema["properties"]["rows"]["items"]


@pytest.mark.parametrize("name", LISTINGS)
def test_every_listing_is_described_whole(name):
    """Guards each key: a type, a meaning, whether it must be there; and nothing beside them."""
    schema, listing = schema_of(name), LISTINGS[name]
    jsonschema.Draft202012Validator.check_schema(schema)
    assert json.loads(json.dumps(schema)) == schema
    own = {"schema"} if listing.stream else set()  # a line is a row, and says whose
    assert set(item(name)["properties"]) == {*listing.keys, *listing.optional} | own
    assert set(item(name)["required"]) == set(listing.keys) | own
    beside = set(listing.keys) if listing.stream else {"rows", *listing.beside}
    assert set(schema["required"]) == set(schema["properties"]) == {"schema", *beside}
    assert schema["additionalProperties"] is item(name)["additionalProperties"] is False
    for key in {*listing.keys, *listing.optional}:
        said = item(name)["properties"][key]
        assert said["type"], key
        assert said["description"], key
        assert said.get("unit") == unit_of(key)


def test_values_of_a_frame_are_of_the_types_that_are_said():
    """Guards the types read off a frame's parts: each value it publishes is one of them."""
    own = item("frames")["properties"]
    shared = [key for key in PUBLISHED if key in own]
    assert len(shared) > 40
    for frame in clean_run(2):
        row = json.loads(json.dumps({k: value_of(frame, k) for k in shared}, default=str))
        jsonschema.validate(row, {"type": "object", "properties": own})
        for key in ("stars", "fwhm_px", "target"):
            with pytest.raises(jsonschema.ValidationError):
                jsonschema.validate({key: []}, {"type": "object", "properties": own})


@pytest.mark.parametrize(
    ("listing", "key", "kinds"),
    [
        ("frames", "stars", {"integer", "null"}),
        ("frames", "fwhm_px", {"number", "null"}),
        ("frames", "target", {"string", "null"}),
        ("frames", "taken_at_utc", {"string", "null"}),
        ("frames", "faults", {"array", "null"}),
        ("calibration", "nights", {"array"}),
        ("totals", "nights", {"integer", "null"}),
        ("corrections", "value", {"string", "number", "null"}),
    ],
)
def test_types_of_keys(listing, key, kinds):
    """Guards numbers, counts, texts and lists, and keys of another type in one listing."""
    assert set(kinds_of(listing, key)) == kinds


@pytest.mark.parametrize(
    ("key", "unit"),
    [
        ("exposure_s", "s"),
        ("fwhm_px", "px"),
        ("fwhm_px_err", "px"),
        ("taken_at_utc", "UTC, ISO 8601"),
        ("sensor_c", "deg C"),
        ("stars", None),
        ("s", None),
        ("first_night", None),
    ],
)
def test_units_are_read_off_the_names_of_keys(key, unit):
    """Guards a unit at the end of a name, before "_err" as well, and names that have none."""
    assert unit_of(key) == unit


def test_a_meaning_holds_what_stands_behind_a_colon():
    """Guards meanings that hold a colon themselves, and those of one listing alone."""
    assert all(said and not said.startswith(" ") for said in MEANINGS.values())
    rows = schema_of("calibration")["properties"]["rows"]["items"]["properties"]
    assert rows["nights"]["description"] == MEANINGS["calibration:nights"]


def test_what_a_night_added_is_told_as_totals_are():
    """Guards the list within the night's story: rows of totals, no key more or less."""
    added = next(
        place["added"]
        for place in (item("night")["properties"], schema_of("night")["properties"])
        if "added" in place
    )
    assert set(added["items"]["properties"]) == set(LISTINGS["totals"].keys)
    assert added["items"]["additionalProperties"] is False
    assert all("items" not in said for said in item("frames")["properties"].values())
