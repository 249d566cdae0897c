"""Rows as CSV: text as `escape` writes it, nested values as JSON, times in UTC."""

import csv
import io
import json
import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from runlog.core.columns import moment
from runlog.core.escape import escaped, escaped_json


def plain(value: Any) -> Any:
    """Turn a value into what JSON can hold: times as ISO 8601 with Z."""
    if isinstance(value, datetime):
        return moment(value)
    if isinstance(value, Mapping):
        return {key: plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain(inner) for inner in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None  # JSON has no word for it
    return value


def csv_text(rows: Sequence[Mapping[str, Any]], keys: Sequence[str]) -> str:
    """Write rows below a heading."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(keys)
    for row in rows:
        writer.writerow([_cell(row.get(key)) for key in keys])
    return text.getvalue()


def _cell(value: Any) -> Any:
    value = plain(value)
    if isinstance(value, str):
        return escaped(value)
    return escaped_json(json.dumps(value)) if isinstance(value, dict | list) else value
