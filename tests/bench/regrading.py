"""How long grading takes when very many frames are stored: python -m tests.bench.regrading DB.

DB is a settled database such as the grading bench leaves (FOLDER/bench.sqlite); it is only read.
Processor time stands beside the time on the clock, which says little on a machine that is shared;
the ratio tells whether a frame costs more in a large archive than in a small one.
"""

import argparse
import os
import sqlite3
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Engine

from runlog.config import Settings
from runlog.store.engine import open_engine
from runlog.store.migrate import ready

from .graded import regrade

# Copies need only what grading reads.
LEFT_OUT = ("preview", "file", "header", "mark")
ASKED = 100_000
BACK_DAYS = 97  # a copy lies so many days before the last one: more than the nights span
WIDER = 0.0005  # a copy is a little worse, so that the best frames stay the best


@dataclass(frozen=True, slots=True)
class Took:
    """What one regrading of so many frames took."""

    frames: int
    clock_s: float
    processor_s: float

    @property
    def frame_ms(self) -> float:
        """Processor time a frame."""
        return 1000 * self.processor_s / self.frames


def regrading_line(database: Path, frames: int) -> str:
    """Fill scratch databases with copies of the settled nights and grade them all again."""
    small, large = regrading(database, frames // 10), regrading(database, frames)
    word = "" if large.frames < 0.95 * ASKED else "pass" if _best(large) < 30.0 else "FALLS SHORT"
    return (
        f"regrading {large.frames} stored frames: {large.clock_s:.1f} s, processor "
        f"{large.processor_s:.1f} s   {ASKED} under 30 s   {word}\n"
        f"a frame {large.frame_ms:.3f} ms, among {small.frames} {small.frame_ms:.3f} ms: "
        f"ratio {large.frame_ms / small.frame_ms:.2f}"
    )


def _best(took: Took) -> float:
    """Give the time an idle machine would take: that of the processor, waiting left out."""
    return min(took.clock_s, took.processor_s)


def regrading(database: Path, frames: int) -> Took:
    """Grade copies of the settled nights twice and time the second: the first writes history."""
    with tempfile.TemporaryDirectory() as scratch:
        path = Path(scratch) / "many.sqlite"
        stored = _fill(database, path, frames)
        engine = ready(open_engine(str(path)))
        regrade(engine, Settings())
        took = _timed(engine, stored)
        engine.dispose()
    return took


def _timed(engine: Engine, frames: int) -> Took:
    began, before = time.perf_counter(), os.times()
    regrade(engine, Settings())
    after = os.times()
    used_s = after.user + after.system - before.user - before.system
    return Took(frames, time.perf_counter() - began, used_s)


def _fill(database: Path, path: Path, frames: int) -> int:
    source = sqlite3.connect(database)
    target = sqlite3.connect(path)
    with source, target:
        source.backup(target)
        _drop_what_is_not_read(target)
        own, copied = _count(target), _copied(target)
        step = 1 + max(target.execute(f"SELECT max(rowid) FROM {t}").fetchone()[0] or 0
                       for t in copied)  # fmt: skip
        for copy in range(1, max(1, round(frames / own))):
            for table in copied:
                target.execute(_copy_sql(target, copied, table, copy, step * copy))
    stored = _count(target)
    source.close()
    target.close()
    return stored


def _count(database: sqlite3.Connection) -> int:
    """Count the frames that get a grade."""
    query = "SELECT count(*) FROM frame WHERE kind = 'light'"
    return int(database.execute(query).fetchone()[0])


def _drop_what_is_not_read(database: sqlite3.Connection) -> None:
    for table in LEFT_OUT:
        database.execute(f"DELETE FROM {table}")


def _foreign(database: sqlite3.Connection, table: str) -> dict[str, str]:
    """Map columns to the tables they point into."""
    rows = database.execute(f"PRAGMA foreign_key_list({table})")
    return {row[3]: row[2] for row in rows}


def _copied(database: sqlite3.Connection) -> list[str]:
    """List the tables that hold something of a run or a frame, those first."""
    query = "SELECT name FROM sqlite_master WHERE type = 'table'"
    names = [row[0] for row in database.execute(query)]
    tied = [n for n in names if {"run", "frame"} & set(_foreign(database, n).values())]
    return ["run", "frame", *(n for n in tied if n not in ("frame", *LEFT_OUT))]


def _copy_sql(
    database: sqlite3.Connection, copied: list[str], table: str, copy: int, add: int
) -> str:
    """Write the statement that copies the original rows of a table, with keys of their own."""
    columns = database.execute(f"PRAGMA table_info({table})").fetchall()
    foreign = _foreign(database, table)
    values = {
        "content_key": f"substr(content_key, 1, 27) || printf('~%04d', {copy})",
        "night": f"date(night, '-{BACK_DAYS * copy} days')",
        "taken_at_utc": f"strftime('%Y-%m-%d %H:%M:%f', taken_at_utc, '-{BACK_DAYS * copy} days')"
        " || '000'",
        "fwhm_px": f"fwhm_px * {1.0 + WIDER * copy}",
    }
    chosen = []
    for column in columns:
        name = column[1]
        moved = foreign.get(name) in copied or (name == "id" and column[5])
        chosen.append(f"{name} + {add}" if moved else values.get(name, name))
    names = ", ".join(column[1] for column in columns)
    key = "id" if any(column[1] == "id" for column in columns) else _key(foreign, copied)
    return (
        f"INSERT INTO {table} ({names}) SELECT {', '.join(chosen)} FROM {table} "
        f"WHERE {key} <= {add // copy}"
    )


def _key(foreign: dict[str, str], copied: list[str]) -> str:
    """Name the column that ties a row to its frame or run."""
    return next(name for name, table in foreign.items() if table in copied)


def main() -> None:
    """Print the line for the number of frames asked for."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("database", type=Path)
    parser.add_argument("--frames", type=int, default=ASKED)
    asked = parser.parse_args()
    print(f"load before: {os.getloadavg()[0]:.1f}")
    print(regrading_line(asked.database, asked.frames))


if __name__ == "__main__":
    main()
