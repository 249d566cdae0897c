"""Write the JSON Schema of a listing (draft 2020-12)."""

from typing import Any

from runlog.core.schema.listings import LISTINGS, Listing, kinds_of
from runlog.core.schema.meanings import meaning_of, unit_of

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema_of(name: str) -> dict[str, Any]:
    """Give the schema of what a listing writes with --json."""
    listing = LISTINGS[name]
    row = _object(name, [*listing.keys, *listing.optional], listing.keys)
    if listing.stream:
        return _of_line(listing, row)
    beside = {key: _value(name, key) for key in listing.beside}
    return {
        "$schema": DIALECT,
        "title": listing.schema,
        "type": "object",
        "properties": {
            "schema": {"const": listing.schema, "description": "name and version of the listing"},
            **beside,
            "rows": {"type": "array", "items": row, "description": "one object a row"},
        },
        "required": _required(listing),
        "additionalProperties": False,
    }


def _of_line(listing: Listing, row: dict[str, Any]) -> dict[str, Any]:
    """Write the schema of one line of what is told as it happens."""
    own = {"schema": {"const": listing.schema, "description": "name and version of the line"}}
    return (
        {"$schema": DIALECT, "title": listing.schema}
        | row
        | {
            "properties": own | row["properties"],
            "required": ["schema", *row["required"]],
        }
    )


def _required(listing: Listing) -> list[str]:
    return ["schema", *listing.beside, "rows"]


def _object(name: str, keys: list[str], required: Any) -> dict[str, Any]:
    return {
        "type": "object",
        "properties": {key: _value(name, key) for key in keys},
        "required": list(required),
        "additionalProperties": False,
    }


def _value(name: str, key: str) -> dict[str, Any]:
    """Write one key: its types, what it means, and its unit where it has one."""
    kinds = kinds_of(name, key)
    said: dict[str, Any] = {"type": list(kinds) if len(kinds) > 1 else kinds[0]}
    if key == "added":
        keys = list(LISTINGS["totals"].keys)
        said |= {"items": _object("totals", keys, keys)}
    unit = unit_of(key)
    return said | {"description": meaning_of(name, key)} | ({"unit": unit} if unit else {})
