"""Rows as CSV: text as `escape` writes it, nested values as JSON, times in UTC."""

import csv
import io
import json
from collections.abc import Mapping, Sequence
from typing import Any

from runlog.core.escape import escaped, escaped_json
from runlog.core.plain_values import plain


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
