"""Time totals over 200,000 and 1,000,000 frames: `python -m tests.bench.totals [FRAMES...]`.

The query must take under 50 and 150 ms, the command under 700 ms (over 200,000 frames).
"""

import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import insert, text

from runlog.actions.open import open_store
from runlog.actions.selecting import selected
from runlog.actions.totals import totals_against_goals
from runlog.config import Settings
from runlog.store import models as m
from runlog.store import totals as total_store
from runlog.store.engine import reading, writing

A_NIGHT = 100
RIGS = 3
TARGETS = [f"NGC {n}" for n in range(100, 160)]
FILTERS = ("L", "R", "G", "B", "Ha", "OIII")
GRADES = ("keep", "keep", "keep", "keep", "doubtful", "reject")
ROUNDS = 9
BATCH = 50_000


def fill(database: Path, frames: int) -> None:
    """Make a database of settled nights, each of two targets through three filters."""
    engine = open_store(str(database), Settings())
    rng = random.Random(7)
    runs = frames // A_NIGHT
    with writing(engine) as connection:
        connection.execute(
            insert(m.rig), [{"key": f"rig{i}", "name": f"Rig {i}"} for i in range(RIGS)]
        )
        connection.execute(insert(m.run), list(_runs(runs)))
        batch: list[dict[str, Any]] = []
        sums: dict[tuple[int, str, str], dict[str, Any]] = {}
        for row in _frames(rng, runs):
            batch.append(row)
            _add(sums, row)
            if len(batch) == BATCH:
                _insert(connection, batch)
                batch = []
        _insert(connection, batch)
        connection.execute(insert(m.run_sum), list(sums.values()))
        _insert_depth(connection, list(sums.values()))
    engine.dispose()


def _runs(count: int) -> Iterator[dict[str, Any]]:
    first = date(2000, 1, 1)
    for i in range(count):
        night = (first + timedelta(days=i // RIGS)).isoformat()
        yield {"night": night, "rig_id": 1 + i % RIGS, "revision": 1, "settled_revision": 1}


def _frames(rng: random.Random, runs: int) -> Iterator[dict[str, Any]]:
    number = 0
    for run in range(1, runs + 1):
        targets = rng.sample(TARGETS, 2)
        filters = rng.sample(FILTERS, 3)
        for i in range(A_NIGHT):
            number += 1
            yield {
                "content_key": f"{number:032x}", "run_id": run, "target": targets[i % 2],
                "filter": filters[i % 3], "grade": GRADES[i % 6], "exposure_s": 300.0,
            }  # fmt: skip


REST = (
    "counted, kind, kind_from, header_kind, header_kind_from, stage, camera_key, night_from, "
    "width, height, planes, bitpix, binning_x, binning_y, header_questions, run_questions, "
    "auto_grade, graded_by, faults"
)
REST_VALUES = (
    "1, 'light', 'header', 'light', 'header', 'raw', 'cam', 'header', 3000, 2000, 1, 16, 1, 1, "
    "'[]', '[]', 'keep', 'auto', '[]'"
)


def _insert(connection: Any, batch: list[dict[str, Any]]) -> None:
    if batch:
        names = list(batch[0])
        columns = ", ".join(f'"{name}"' for name in names)
        values = ", ".join(f":{name}" for name in names)
        statement = f"INSERT INTO frame ({columns}, {REST}) VALUES ({values}, {REST_VALUES})"
        connection.execute(text(statement), batch)


SUM_OF = {"keep": "kept_s", "doubtful": "doubtful_s", "reject": "rejected_s"}


def _add(sums: dict[tuple[int, str, str], dict[str, Any]], row: dict[str, Any]) -> None:
    key = (row["run_id"], row["target"], row["filter"])
    names = ("logged_s", "kept_s", "doubtful_s", "rejected_s", "ungraded_s")
    line = sums.setdefault(
        key,
        {"run_id": key[0], "target": key[1], "filter": key[2], "frames": 0}
        | dict.fromkeys(names, 0.0)
        | dict.fromkeys(total_store.LACKING, 0),
    )
    line["frames"] += 1
    line["logged_s"] += row["exposure_s"]
    line[SUM_OF[row["grade"]]] += row["exposure_s"]


def _insert_depth(connection: Any, sums: Sequence[dict[str, Any]]) -> None:
    """Give every run depth worth 0.8 of its kept time, with a base a rig and target."""
    lights, skies = [], {}
    for line in sums:
        names = {name: line[name] for name in ("run_id", "target", "filter")}
        kept_s = line["kept_s"]
        depths = (line["frames"], kept_s, kept_s, 0.8 * kept_s, 0.8 * kept_s)
        base = f"{line['target']} {line['filter']} {line['run_id'] % RIGS}"
        lights.append(
            names
            | {"base": base, "light2_e2_adu2": 1.0}
            | dict(zip(total_store.DEPTHS, depths, strict=True))
        )
        skies[line["run_id"], line["filter"]] = {
            "run_id": line["run_id"], "filter": line["filter"], "frames": 20, "moonless": True,
            "point_s_e2": 1.0, "extended_s_arcsec2_e2": 1.0,
        }  # fmt: skip
    connection.execute(insert(m.run_light), lights)
    connection.execute(insert(m.run_depth), list(skies.values()))


def timed(call: Callable[[], Any], rounds: int = ROUNDS) -> str:
    """Time a call: the median by the clock, and the processor's time for it."""
    clock, worked = [], []
    for _ in range(rounds):
        began, used = time.perf_counter(), sum(os.times()[:4])
        call()
        clock.append(1e3 * (time.perf_counter() - began))
        worked.append(1e3 * (sum(os.times()[:4]) - used))
    return (
        f"{statistics.median(clock):8.1f} ms  ({statistics.fmean(worked):.0f} ms of processor time)"
    )


def measure(database: Path, frames: int) -> None:
    """Print what totals cost."""
    engine = open_store(str(database), Settings())

    def query() -> list[Any]:
        with reading(engine) as connection:
            return total_store.totals(connection)

    def plain_sum() -> Any:
        with reading(engine) as connection:
            return connection.execute(
                text("SELECT target, filter, sum(exposure_s) FROM frame GROUP BY target, filter")
            ).all()

    assert sum(t.frames for t in query()) == frames
    print(f"{frames:>9,} frames, {frames // A_NIGHT:,} runs, {len(query())} rows of totals")
    print(f"  query                {timed(query)}")
    print(f"  with goals           {timed(lambda: _against(engine))}")
    print(f"  one rig, one year    {timed(lambda: _part(engine))}")
    print(f"  by night             {timed(lambda: _growth(engine), 3)}")
    print(f"  (a plain sum         {timed(plain_sum, 3)})")
    engine.dispose()
    for words in (["totals"], ["totals", "--json"], ["forecast"]):
        print(f"  runlog {' '.join(words):<14}{timed(lambda w=words: run(database, w), 5)}")


def _against(engine: Any) -> Any:
    return totals_against_goals(engine, Settings())


def _part(engine: Any) -> Any:
    year = selected(engine, Settings(), since="2001-01-01", until="2001-12-31", rig="rig 1")
    return totals_against_goals(engine, Settings(), year)


def _growth(engine: Any) -> Any:
    with reading(engine) as connection:
        return total_store.by_night(connection)


def run(database: Path, words: list[str]) -> None:
    """Run the command as a person does."""
    env = os.environ | {"RUNLOG_DB": str(database)}
    subprocess.run(
        [sys.executable, "-m", "runlog", *words], env=env, stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL, check=True,
    )  # fmt: skip


def main() -> None:
    """Make each database and time it."""
    sizes = [int(word.replace(",", "")) for word in sys.argv[1:]] or [200_000, 1_000_000]
    with tempfile.TemporaryDirectory() as folder:
        for frames in sizes:
            database = Path(folder) / f"{frames}.sqlite"
            fill(database, frames)
            measure(database, frames)


if __name__ == "__main__":
    main()
