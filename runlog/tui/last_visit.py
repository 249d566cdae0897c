"""Where one was last time, kept in a small file of the user's state folder; never in the config."""

import json
import os
import re
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import platformdirs


@dataclass(frozen=True, slots=True)
class LastVisit:
    """Where one was: everything has a value, so an old or odd file can only say less."""

    screen: str = "night"
    night: str = ""
    rig: str = ""
    latest_night: str = ""  # the newest night there was; a newer one is opened instead
    words: str = ""
    finds: str = ""  # what was looked for before, a line each, the newest last
    order: str = "taken_at_utc"
    descending: bool = False
    frame_id: int = 0
    shade: str = "runlog-dark"
    only_rig: str = ""  # the one rig in view; none is all
    only_mine: bool = False  # a login's own rigs and goals are
    utc: bool = False  # times in UTC rather than by the site's clock


def default_file() -> Path:
    """Name the state file."""
    return Path(platformdirs.user_state_dir("runlog", appauthor=False)) / "review.json"


def recall(file: Path, database: str) -> LastVisit:
    """Read where one was with a database; a file that cannot be read means nowhere."""
    stored = _stored(file).get(_without_password(database))
    if not isinstance(stored, dict):
        return LastVisit()
    visit = LastVisit()
    for name, value in stored.items():
        if name in LastVisit.__dataclass_fields__ and type(value) is type(getattr(visit, name)):
            visit = replace(visit, **{name: value})
    return visit


def remember(file: Path, database: str, visit: LastVisit) -> None:
    """Write where one is; a state folder that cannot be written is no reason to stop."""
    everything = _stored(file) | {_without_password(database): asdict(visit)}
    with suppress(OSError):
        file.parent.mkdir(parents=True, exist_ok=True)
        fresh = file.with_suffix(f".{os.getpid()}")
        fresh.touch(mode=0o600)
        fresh.write_text(json.dumps(everything, indent=1), encoding="utf-8")
        fresh.replace(file)


def _stored(file: Path) -> dict[str, Any]:
    try:
        found = json.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    if not isinstance(found, dict):
        return {}
    return {_without_password(database): visit for database, visit in found.items()}


def _without_password(database: str) -> str:
    """Name a database by its address without the password; a file is named as it is."""
    return re.sub(r"(://[^:/@]+):[^@]*@", r"\1@", database, count=1)
