"""Values as JSON can hold them."""

import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any

from runlog.core.columns import moment


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
