"""The state of the warnings as JSON, so that a restart warns nobody twice."""

from typing import Any

from runlog.core.watch.alarms import Alarms


def to_json(alarms: Alarms) -> dict[str, Any]:
    """Turn a state into what `json.dumps` takes."""
    raise NotImplementedError


def from_json(kept: dict[str, Any]) -> Alarms:
    """Undo `to_json`; a state of another form gives a new one."""
    raise NotImplementedError
