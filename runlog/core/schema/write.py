"""Write the JSON Schema of a listing (draft 2020-12)."""

from collections.abc import Sequence
from typing import Any

from runlog.core.schema.listings import LISTINGS, Kinds, Listing, kinds_of
from runlog.core.schema.meanings import meaning_of, unit_of
from runlog.core.schema.sheets import SHEETS, Key

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def listed() -> dict[str, str]:
    """Name all listings, with the name and version of what they write."""
    sheets = {name: sheet.schema for name, sheet in SHEETS.items() if sheet.schema}
    return {name: listing.schema for name, listing in LISTINGS.items()} | sheets


def schema_of(name: str) -> dict[str, Any]:
    """Give the schema of what a listing writes with --json."""
    body = _of_sheet(name) if name in SHEETS else _of_listing(name, LISTINGS[name])
    title = listed()[name]
    said = {"const": title, "description": "name and version of the listing"}
    return {
        "$schema": DIALECT,
        "title": title,
        **body,
        "properties": {"schema": said, **body["properties"]},
        "required": ["schema", *body["required"]],
    }


def _of_listing(name: str, listing: Listing) -> dict[str, Any]:
    row = _object(name, [*listing.keys, *listing.optional], listing.keys)
    if listing.stream:  # a line is a row
        return row
    rows = {"type": "array", "items": row, "description": "one object a row"}
    beside = {key: _value(name, key) for key in listing.beside}
    return _closed({**beside, "rows": rows}, [*listing.beside, "rows"])


def _of_sheet(name: str) -> dict[str, Any]:
    keys = SHEETS[name].keys
    return _closed({key: _of_key(key, entry) for key, entry in keys.items()}, list(keys))


def _of_key(name: str, key: Key) -> dict[str, Any]:
    said = _said(key.kinds, key.said, key.unit or unit_of(name))
    if key.part is None:
        return said
    part = _of_sheet(key.part)
    return said | ({"items": part} if "array" in key.kinds else part)


def _closed(properties: dict[str, Any], required: list[str]) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": properties,
        "required": required,
        "additionalProperties": False,
    }


def _said(kinds: Kinds, meaning: str, unit: str | None) -> dict[str, Any]:
    kind = list(kinds) if len(kinds) > 1 else kinds[0]
    return {"type": kind, "description": meaning} | ({"unit": unit} if unit else {})


def _object(name: str, keys: list[str], required: Sequence[str]) -> dict[str, Any]:
    return _closed({key: _value(name, key) for key in keys}, list(required))


def _value(name: str, key: str) -> dict[str, Any]:
    """Write one key: its types, what it means, and its unit where it has one."""
    said = _said(kinds_of(name, key), meaning_of(name, key), unit_of(key))
    if key == "added":
        keys = list(LISTINGS["totals"].keys)
        said |= {"items": _object("totals", keys, keys)}
    return said
