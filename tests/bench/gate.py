"""What every listing answers, recorded before a change of structure and compared after it.

`python -m tests.bench.gate record OUT FOLDER... [--runlog COMMAND]` scans the folders into a
fresh database with that command and writes the JSON and CSV of every listing to OUT.
`python -m tests.bench.gate compare BEFORE AFTER` names each value that differs: ephemeris fields
may by 0.02 degrees or 60 seconds, other floats by 1e-9 of their size, everything else not at all.
"""

import argparse
import csv
import io
import json
import os
import re
import shlex
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

WITHIN = 1e-9
SKY_DEG = {"sun_alt_deg", "moon_alt_deg", "moon_sep_deg"}
SKY_WITHIN_DEG, SKY_WITHIN_S = 0.02, 60.0
SKY_TIMES = {"dark_start_utc", "dark_end_utc", "start_utc", "end_utc"}
MORE = [
    "totals --by night", "totals --more", "totals --since 2026-10-01", "calibration --missing",
    "export --doubtful", "frames --grade keep", "frames --grade doubtful", "frames --grade reject",
    "frames --grade ungraded", "frames --fault cloud", "frames --fault unreadable",
    "frames --filter L", "correct --list", "policy show",
]  # fmt: skip
LISTINGS = ["nights", "frames", "totals", "targets", "calibration", "forecast", "check", "export"]


def record(out: Path, folders: list[str], command: list[str], database: str | None) -> None:
    """Scan the folders and write what every listing says of them."""
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        ask = _Asker(command, database or f"{scratch}/gate.sqlite", scratch)
        if database is None:
            print(ask("scan", *folders).stderr[-300:], file=sys.stderr)
        for words in [*LISTINGS, *MORE, *_per_item(ask)]:
            for form in ("--json", "--csv"):
                answer = ask(*shlex.split(words), form)
                body = answer.stdout if answer.returncode == 0 else answer.stdout + answer.stderr
                body = body.replace(scratch, "SCRATCH")
                (out / f"{_file_name(words)}{form.replace('--', '.')}").write_text(body)
    print(f"{len(list(out.iterdir()))} answers in {out}")


class _Asker:
    """The command with its database and a config file of its own."""

    def __init__(self, command: list[str], database: str, scratch: str) -> None:
        self.start = [*command, "--db", database]
        config = Path(scratch) / "config.toml"
        config.touch()
        self.env = {**os.environ, "RUNLOG_CONFIG": str(config), "COLUMNS": "200"}

    def __call__(self, *words: str) -> "subprocess.CompletedProcess[str]":
        run = [*self.start, *words]
        return subprocess.run(run, env=self.env, capture_output=True, text=True, check=False)


def _per_item(ask: _Asker) -> Iterator[str]:
    """Ask for each night, target and rig by itself, and why some frames are graded so."""
    nights = json.loads(ask("nights", "--json").stdout)["rows"]
    for night in sorted({row["night"] for row in nights if row["night"]}):
        yield f"night {night}"
        yield f"frames --night {night}"
    for rig in sorted({row["rig"] for row in nights if row["rig"]}):
        yield f"totals --rig {shlex.quote(rig)}"
        yield f"frames --rig {shlex.quote(rig)}"
    frames = json.loads(ask("frames", "--json").stdout)["rows"]
    for target in sorted({row["target"] for row in frames if row["target"]}):
        yield f"totals --target {shlex.quote(target)}"
        yield f"frames --target {shlex.quote(target)}"
    lights = [row["fingerprint"] for row in frames if row["kind"] == "light"]
    for key in sorted(lights)[:: max(1, len(lights) // 12)]:
        yield f"regrade --explain {key}"


def _file_name(words: str) -> str:
    return re.sub(r"[^\w.+-]+", "_", words)[:100]


# --- comparing ------------------------------------------------------------------------------


def compare(before: Path, after: Path) -> int:
    """Print what differs, gathered by listing and key; returns how many values do."""
    found: Counter[tuple[str, str]] = Counter()
    example: dict[tuple[str, str], str] = {}
    names = sorted({p.name for p in before.iterdir()} | {p.name for p in after.iterdir()})
    for name in names:
        pair = [_read(folder / name) for folder in (before, after)]
        for key, old, new in _differences(*pair, key=""):
            found[name, key] += 1
            example.setdefault((name, key), f"{str(old)[:150]!r} -> {str(new)[:150]!r}")
    for (name, key), count in sorted(found.items()):
        print(f"{name}: {key or 'all of it'}: {count} differ, as in {example[name, key]}")
    total = sum(found.values())
    print(f"{len(names)} answers compared, {total} values differ")
    return total


def _read(path: Path) -> Any:
    if not path.exists():
        return "(no such answer)"
    text = path.read_text()
    if path.suffix == ".json":
        try:
            return json.loads(text)
        except ValueError:
            return text
    return [{k: _value(v) for k, v in row.items()} for row in csv.DictReader(io.StringIO(text))]


def _value(text: Any) -> Any:
    try:
        return json.loads(text)
    except (ValueError, TypeError):
        return text


def _differences(old: Any, new: Any, key: str) -> Iterator[tuple[str, Any, Any]]:
    """Walk two answers side by side; positions in lists are left out of the key."""
    if isinstance(old, dict) and isinstance(new, dict):
        for name in [*old, *(n for n in new if n not in old)]:
            inner = f"{key}.{name}" if key else str(name)
            yield from _differences(old.get(name, "(none)"), new.get(name, "(none)"), inner)
    elif isinstance(old, list) and isinstance(new, list) and len(old) == len(new):
        for one, other in zip(old, new, strict=True):
            yield from _differences(one, other, key)
    elif not _same(old, new, key.rpartition(".")[2]):
        yield key, old, new


def _same(old: Any, new: Any, key: str) -> bool:
    if old == new:
        return True
    numbers = all(isinstance(v, int | float) and not isinstance(v, bool) for v in (old, new))
    if numbers:
        return abs(old - new) <= (SKY_WITHIN_DEG if key in SKY_DEG else WITHIN * max(1, abs(old)))
    if key in SKY_TIMES and isinstance(old, str) and isinstance(new, str):
        try:
            apart = datetime.fromisoformat(old) - datetime.fromisoformat(new)
        except ValueError:
            return False
        return abs(apart.total_seconds()) <= SKY_WITHIN_S
    return False


def main() -> int:
    """Record or compare."""
    parser = argparse.ArgumentParser(description=__doc__)
    commands = parser.add_subparsers(dest="do", required=True)
    one = commands.add_parser("record")
    one.add_argument("out", type=Path)
    one.add_argument("folders", nargs="*")
    one.add_argument("--runlog", default=f"{sys.executable} -m runlog")
    one.add_argument("--db", help="ask this database instead of scanning")
    two = commands.add_parser("compare")
    two.add_argument("before", type=Path)
    two.add_argument("after", type=Path)
    given = parser.parse_args()
    if given.do == "compare":
        return 1 if compare(given.before, given.after) else 0
    record(given.out, given.folders, shlex.split(given.runlog), given.db)
    return 0


if __name__ == "__main__":
    sys.exit(main())
