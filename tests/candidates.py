"""Frames as finding fields reads them, made of single values."""

from dataclasses import fields
from typing import Any

from runlog.core.frame import Frame
from runlog.store.fields import Candidate
from runlog.store.mapping import PARTS

ALWAYS = {"kind": "light", "kind_from": "header", "measured_with": 1}


def candidate(*, fit: bool = True, **values: Any) -> Candidate:
    """Make a frame of values by the names of its parts' fields; all else is as nothing said."""
    given = ALWAYS | values
    parts = {
        name: part(**{f.name: given[f.name] for f in fields(part) if f.name in given})
        for name, part in PARTS.items()
    }
    unknown = values.keys() - {f.name for part in PARTS.values() for f in fields(part)}
    assert not unknown, f"no field of a frame: {unknown}"
    return Candidate(Frame(**parts), fit)
