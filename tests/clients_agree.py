"""What must hold once all machines have scanned: sums from the headers, and nothing wrong."""

import json
import subprocess
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import psycopg
from sqlalchemy import make_url

from tests.archives import Shot, truth
from tests.tools import argv, content, environment

ASKED = ("headers", "measurements", "grades", "config")  # what check asks of a person
ONE_MACHINE = "machine 0"
TO_DIGIT_S = 1e-6


def stored_share(url: str, files: int) -> float | None:
    """Tell how much of all files is stored; None where the server is away or has no tables yet."""
    there = make_url(url).set(drivername="postgresql").render_as_string(hide_password=False)
    try:
        with psycopg.connect(there, connect_timeout=2) as connection:
            row = connection.execute("SELECT count(*) FROM file").fetchone()
    except psycopg.Error:
        return None
    return None if row is None else row[0] / files


def what_is_wrong(url: str, home: Path, shots: Sequence[Shot]) -> list[str]:
    """Hold totals against the headers and ask `check`."""
    totals = _asked(home, url, "totals")["rows"]
    found = {(row["target"], row["filter"]): row["logged_s"] for row in totals}
    wanted = truth(shots)
    wrong = [
        f"{target} {name}: {found.get((target, name))} s, headers say {wanted.get((target, name))}"
        for target, name in sorted({*found, *wanted})
        if abs(found.get((target, name), -1.0) - wanted.get((target, name), -1.0)) > TO_DIGIT_S
    ]
    rows = _asked(home, url, "check", "--thorough")["rows"]
    bad = [row["text"] for row in rows if not row["well"] and row["about"] not in ASKED]
    return wrong + [f"check: {text}" for text in bad]


def alone_says(url: str, home: Path, folders: Sequence[Path]) -> list[str]:
    """Scan the same folders by one client into a file; name the tables that differ."""
    env = _env(home, str(home / "alone.sqlite"))
    line = argv("scan", *folders, "--workers", "2")
    done = subprocess.run(line, env=env, cwd=home, capture_output=True, text=True, check=False)
    if done.returncode:
        return [f"the scan into a file: {done.stderr[-300:]}"]
    one, many = content(home / "alone.sqlite"), content(url)
    for tables in (one, many):
        del tables["file"]  # known by other machines' names
    return [f"table {name} is not what one client makes" for name in one if one[name] != many[name]]


def _asked(home: Path, url: str, *words: str) -> dict[str, Any]:
    done = subprocess.run(
        argv(*words, "--json"),
        env=_env(home, url), cwd=home, capture_output=True, text=True, check=True,
    )  # fmt: skip
    said: dict[str, Any] = json.loads(done.stdout)
    return said


def _env(home: Path, database: str) -> dict[str, str]:
    return environment(home, RUNLOG_DB=database, RUNLOG_MACHINE=ONE_MACHINE)
