"""A rig's archive of 200,000 frames and what commands cost on it: `python -m tests.bench.large`.

    runlog demo
    python -m tests.bench.large draw runlog-demo/demo.sqlite /tmp/large.sqlite [FRAMES]
    python -m tests.bench.large time runlog-demo/demo.sqlite /tmp/large.sqlite

Nights are those of the sample nights over and over: two of them a night, under the names of some
three dozen targets, with star lists, headers and files, laid on the best frame of their name as
settling would; then everything is settled for real. `time` prints the processor time of commands
beside that of `totals` in the same turn, best of a few, and that of settling one run of 60 frames.
"""

import argparse
import hashlib
import json
import os
import random
import resource
import shutil
import sqlite3
import subprocess
import time
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from datetime import time as clock
from itertools import chain, islice
from pathlib import Path
from typing import Any

from runlog.actions.open import open_store
from runlog.actions.settle import settle_all
from runlog.config import Settings
from runlog.store.catalogue import target_names
from tests.tools import argv, environment

FRAMES = 200_000
FIRST_NIGHT = date(2015, 1, 1)
EACH_LOOK = 18  # targets that look as one of the sample nights' does
CALIBRATED = 3  # every third night has its own darks and flats
CLOUDED, SHORT = 25, 60  # every so many nights clouds came after so many frames
LAST = CALIBRATED  # which night the last one is like: `night` shows it
PACE = 2  # sample nights in one night: each runs through so much faster, one after the other
DUSK, NIGHT = clock(18), timedelta(hours=12)
TURNS = 3
MOST = 1.3  # times `totals`
COMMANDS = (
    ("targets",), ("mark",), ("night",), ("nights",), ("calibration",), ("check",),
    ("forecast",),
)  # fmt: skip

Row = dict[str, Any]


# --- drawing ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Sample:
    """The rows of the sample nights."""

    frames: dict[int, list[Row]]  # by run
    headers: dict[int, Row]  # by frame
    files: dict[int, Row]  # by header
    stars: dict[int, Any]  # by frame
    evenings: dict[int, date]  # by run
    places: dict[str, tuple[float, float]]  # of each target: where its first frame points
    looks: list[str]  # the targets


def _rows(connection: sqlite3.Connection, query: str) -> list[Row]:
    connection.row_factory = sqlite3.Row
    return [dict(row) for row in connection.execute(query)]


def _sample(path: Path) -> Sample:
    with closing(sqlite3.connect(path)) as connection:
        runs = _rows(connection, "SELECT id, night FROM run WHERE night != '' ORDER BY night")
        frames = _rows(connection, "SELECT * FROM frame ORDER BY taken_at_utc, id")
        headers = _rows(connection, "SELECT * FROM header WHERE speaks")
        files = _rows(connection, "SELECT * FROM file WHERE header_id IS NOT NULL")
        stars = _rows(connection, "SELECT * FROM star_list")
    lights = [f for f in frames if f["kind"] == "light"]
    looks = sorted({f["target"] for f in lights})
    places = {look: next(f for f in lights if f["target"] == look) for look in looks}
    return Sample(
        {run["id"]: [f for f in frames if f["run_id"] == run["id"]] for run in runs},
        {row["frame_id"]: row for row in headers},
        {row["header_id"]: row for row in files},
        {row["frame_id"]: row["stars"] for row in stars},
        {run["id"]: date.fromisoformat(run["night"]) for run in runs},
        {look: (frame["ra_deg"], frame["dec_deg"]) for look, frame in places.items()},
        looks,
    )


@dataclass(frozen=True, slots=True)
class Drawn:
    """One frame of a drawn night, not written yet."""

    run_id: int
    evening: date
    sample: Row
    turn: int  # which of the night's sample nights it is of
    target: str

    @property
    def key(self) -> str:
        """Its content key."""
        return _key(f"{self.run_id} {self.sample['content_key']}")


def _key(words: str) -> str:
    return hashlib.blake2b(words.encode(), digest_size=16).hexdigest()


def targets_of(looks: Sequence[str]) -> dict[str, list[str]]:
    """Choose far apart objects of the catalogue, as many for each look."""
    catalogue = target_names().catalogue
    known = [name for n in range(100, 7000, 150) if (name := catalogue.main_name(f"NGC {n}"))]
    return {look: known[i :: len(looks)][:EACH_LOOK] for i, look in enumerate(looks)}


def _plan(sample: Sample, frames: int) -> Iterator[Drawn]:
    """Draw nights until there are so many frames, and a last one that is the same in all."""
    rng = random.Random(11)
    targets = targets_of(sample.looks)
    made, number, last = 0, 0, False
    while not last:
        number, last = number + 1, made >= frames
        evening = FIRST_NIGHT + timedelta(days=2 * number)
        names = {look: rng.choice(targets[look]) for look in sample.looks}
        for row, turn in _night(sample, LAST if last else number):
            yield Drawn(number, evening, row, turn, names.get(row["target"], ""))
            made += 1


def _night(sample: Sample, number: int) -> Iterator[tuple[Row, int]]:
    """Choose the frames of a night: of two sample nights, calibrated now and then."""
    runs = sorted(sample.frames)
    if number % CLOUDED == 0:
        lights = (row for row in sample.frames[runs[1]] if row["kind"] == "light")
        yield from ((row, 0) for row in islice(lights, SHORT))
        return
    for turn in range(PACE):
        for row in sample.frames[runs[(number + turn) % len(runs)]]:
            if row["kind"] in ("light", "focus") or number % CALIBRATED == 0:
                yield row, turn


def _references(planned: Sequence[Drawn]) -> dict[tuple[str, str], str]:
    """Give for each target the frame that stands for a frame of the sample nights: least key."""
    found: dict[tuple[str, str], str] = {}
    for drawn in planned:
        at = (drawn.target, drawn.sample["content_key"])
        found[at] = min(found.get(at, drawn.key), drawn.key)
    return found


def _frame_row(drawn: Drawn, number: int, sample: Sample, best: dict[tuple[str, str], str]) -> Row:
    row, rng = dict(drawn.sample), random.Random(number)
    dusk = datetime.combine(sample.evenings[row["run_id"]], DUSK)
    after = (datetime.fromisoformat(row["taken_at_utc"]) - dusk) / PACE + drawn.turn * NIGHT / PACE
    start = datetime.combine(drawn.evening, DUSK) + after
    row |= {"id": number, "content_key": drawn.key, "run_id": drawn.run_id}
    row["exposure_s"] /= PACE
    row["taken_at_utc"] = start.strftime("%Y-%m-%d %H:%M:%S.%f")
    if drawn.target:
        row |= _pointing(drawn, sample) | {"target": drawn.target, "target_raw": drawn.target}
    # Where the best was not drawn for a target, settling has to find another.
    for name in ("matched_to", "best_of_name"):
        row[name] = best.get((drawn.target, row[name]))
    if row["matched_past"] and row["matched_to"]:
        tried = hashlib.blake2b(row["matched_to"].encode(), digest_size=8)
        row["matched_past"] = tried.hexdigest()
    if row["streaks_seen"]:
        row["streaks"] = row["streaks_seen"] = json.dumps([_trail(rng, row) for _ in range(1)])
    return row


def _pointing(drawn: Drawn, sample: Sample) -> Row:
    row = drawn.sample
    place = target_names().catalogue.place(drawn.target)
    if place is None or row["ra_deg"] is None:
        return {}
    ra, dec = sample.places[row["target"]]
    off = row["ra_deg"] - ra, row["dec_deg"] - dec
    return {"ra_deg": (place.ra_deg + off[0]) % 360, "dec_deg": place.dec_deg + off[1]}


def _trail(rng: random.Random, row: Row) -> list[float]:
    """Draw a trail from side to side: at the same pixels each night it would be the sensor's."""
    left, right = (rng.uniform(0, row["height"]) for _ in range(2))
    return [0.0, left, row["width"] - 1.0, right]


def draw(demo: Path, to: Path, frames: int) -> None:
    """Draw the archive and settle it."""
    sample = _sample(demo)
    planned = list(_plan(sample, frames))
    part = to.with_suffix(".part")
    shutil.copy(demo, part)
    began = time.perf_counter()
    with closing(sqlite3.connect(part)) as connection:
        connection.execute("PRAGMA synchronous = OFF")
        _write(connection, sample, planned)
        connection.commit()
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    print(f"{len(planned):,} frames drawn in {time.perf_counter() - began:.0f} s", flush=True)
    began, used = time.perf_counter(), time.process_time()
    open_store(str(part), Settings()).dispose()
    with closing(sqlite3.connect(part)) as connection:
        runs = connection.execute("SELECT count(*) FROM run").fetchone()[0]
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    took, used = time.perf_counter() - began, time.process_time() - used
    print(f"{runs:,} runs settled in {took:.0f} s ({used:.0f} s of processor time)")
    part.rename(to)


_EMPTIED = (
    "frame header file star_list preview run run_sum run_rows run_summary run_before run_depth "
    "run_light light_tie run_shots run_sky run_series run_dust"
)


def _write(connection: sqlite3.Connection, sample: Sample, planned: Sequence[Drawn]) -> None:
    connection.execute("PRAGMA foreign_keys = OFF")
    (policy,) = connection.execute("SELECT max(policy) FROM run").fetchone()
    for table in _EMPTIED.split():
        connection.execute(f"DELETE FROM {table}")
    best = _references(planned)
    runs = {drawn.run_id: drawn.evening for drawn in planned}
    zeros = _zeros(planned)
    _insert(
        connection,
        "run",
        (
            {"id": run, "night": f"{evening}", "rig_id": 1, "revision": 1, "settled_revision": 0}
            | {"policy": policy, "zeros": " ".join(sorted(zeros[run]))}
            for run, evening in runs.items()
        ),
    )
    numbered = list(enumerate(planned, start=1))
    _insert(connection, "frame", (_frame_row(d, n, sample, best) for n, d in numbered))
    for table, row_of in (("header", _header_row), ("file", _file_row), ("star_list", _stars_row)):
        rows = (row_of(drawn, number, sample) for number, drawn in numbered)
        _insert(connection, table, (row for row in rows if row is not None))


def _zeros(planned: Sequence[Drawn]) -> dict[int, list[str]]:
    """Sign the levels of each run's bias and dark frames, as settling does."""
    found: dict[int, list[str]] = defaultdict(list)
    for drawn in planned:
        if drawn.sample["kind"] in ("bias", "dark"):
            level = json.loads(drawn.sample["level"])["median_adu"]
            found[drawn.run_id].append(f"{drawn.key}:{level}")
    return found


def _insert(connection: sqlite3.Connection, table: str, rows: Iterable[Row]) -> None:
    rows = iter(rows)
    first = next(rows, None)
    if first is None:
        return
    names = ", ".join(f'"{name}"' for name in first)
    statement = f"INSERT INTO {table} ({names}) VALUES ({', '.join('?' * len(first))})"
    connection.executemany(statement, (tuple(row.values()) for row in chain([first], rows)))


def _header_row(drawn: Drawn, number: int, sample: Sample) -> Row:
    return sample.headers[drawn.sample["id"]] | {"id": number, "frame_id": number}


def _file_row(drawn: Drawn, number: int, sample: Sample) -> Row:
    header = sample.headers[drawn.sample["id"]]["id"]
    file = sample.files[header]
    name = os.path.basename(bytes(file["path"]))
    at = {"path": b"/drawn/%d/%d-%s" % (drawn.run_id, number, name), "mtime_ns": number}
    return file | {"id": number, "header_id": number} | at


def _stars_row(drawn: Drawn, number: int, sample: Sample) -> Row | None:
    stars = sample.stars.get(drawn.sample["id"])
    return None if stars is None else {"frame_id": number, "stars": stars}


# --- timing -----------------------------------------------------------------------------------


def _used_s(database: Path, words: Sequence[str]) -> float:
    """Run a command as a person does; gives its processor time."""
    env = environment(database.parent, RUNLOG_DB=str(database), OMP_NUM_THREADS="1")
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(argv(*words), env=env, check=False, capture_output=True)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def _words(database: Path, command: tuple[str, ...]) -> tuple[str, ...]:
    """Fill in what a command needs: `mark` a light in the middle as it is not graded now."""
    if command != ("mark",):
        return command
    with closing(sqlite3.connect(database)) as connection:
        (middle,) = connection.execute("SELECT max(id) / 2 FROM frame").fetchone()
        query = "SELECT content_key, grade FROM frame WHERE kind = 'light' AND id >= ? LIMIT 1"
        key, grade = connection.execute(query, (middle,)).fetchone()
    return "mark", key, "reject" if grade == "keep" else "keep"


def time_commands(database: Path, wanted: Sequence[tuple[str, ...]]) -> None:
    """Print what each command costs beside `totals`, both in turn."""
    with closing(sqlite3.connect(database)) as connection:
        (frames,) = connection.execute("SELECT count(*) FROM frame").fetchone()
    print(f"{database}: {frames:,} frames")
    for command in wanted:
        took = [_in_turn(database, command) for _ in range(TURNS)]
        after, totals, own = (min(times) for times in zip(*took, strict=True))
        said = "pass" if own <= MOST * totals else "FALLS SHORT"
        print(
            f"  {' '.join(command):<14} {own:6.2f} s  totals {totals:.2f} s  {own / totals:5.2f}"
            f"  (<= {MOST}) {said}; totals after it {after / totals:.2f}",
            flush=True,
        )


def _in_turn(database: Path, command: tuple[str, ...]) -> tuple[float, float, float]:
    """Time `totals`, which settles what the last command left, `totals` again, and a command."""
    totals = ("totals",)
    after, again = _used_s(database, totals), _used_s(database, totals)
    return after, again, _used_s(database, _words(database, command))


def time_settling(database: Path) -> None:
    """Print what settling one dirty run costs, in this process and as part of a command."""
    query = (
        "SELECT run_id, count(*) FROM frame GROUP BY run_id "
        f"ORDER BY abs(count(*) - {SHORT}), -run_id LIMIT 1"
    )
    with closing(sqlite3.connect(database)) as connection:
        run, frames = connection.execute(query).fetchone()
    engine = open_store(str(database), Settings())
    for what in ("first time", "again", "again"):
        _touch(database, run)
        began, used = time.perf_counter(), time.process_time()
        settle_all(engine, Settings())
        used, took = time.process_time() - used, time.perf_counter() - began
        print(f"  settling {frames} frames, {what}: {used:.2f} s (clock {took:.2f} s; under 1 s)")
    engine.dispose()
    clean, dirty = [], []
    for _ in range(TURNS):
        clean.append(_used_s(database, ("totals",)))
        _touch(database, run)
        dirty.append(_used_s(database, ("totals",)))
    print(f"  totals {min(clean):.2f} s, with such a run to settle {min(dirty):.2f} s")


def _touch(database: Path, run: int) -> None:
    with closing(sqlite3.connect(database)) as connection:
        connection.execute("UPDATE run SET revision = revision + 1 WHERE id = ?", (run,))
        connection.commit()


def main() -> None:
    """Draw an archive, or time commands on databases."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parts = parser.add_subparsers(dest="part", required=True)
    drawing = parts.add_parser("draw")
    drawing.add_argument("demo", type=Path)
    drawing.add_argument("to", type=Path)
    drawing.add_argument("frames", type=int, nargs="?", default=FRAMES)
    timing = parts.add_parser("time")
    timing.add_argument("databases", type=Path, nargs="+")
    timing.add_argument("--only", action="append", default=[])
    options = parser.parse_args()
    if options.part == "draw":
        draw(options.demo, options.to, options.frames)
        return
    for database in options.databases:
        wanted = [c for c in COMMANDS if not options.only or c[0] in options.only]
        time_commands(database, wanted)
        if not options.only or "settling" in options.only:
            time_settling(database)


if __name__ == "__main__":
    main()
