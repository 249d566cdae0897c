"""Files that are damaged, cut, strange or empty: never another sum, never overwritten."""

import json
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from pathlib import Path
from random import Random
from typing import Any

from runlog.store.sound import WHOLE_BYTES
from tests.disks.world import World, close, run, said
from tests.store.earlier import take_back
from tests.tools import here

PAGE = 4096
ASKED = (
    ("totals", "--json"), ("frames", "--json"), ("nights", "--json"), ("night", "--json"),
    ("calibration",), ("targets",), ("export", "--json"), ("check",),
    ("mark", "light_0002.fits", "reject"), ("goal", "M33", "R", "2"), ("regrade",),
)  # fmt: skip
WRITERS = (
    ("mark", "light_0002.fits", "reject"), ("goal", "M33", "R", "2"), ("note", "new camera"),
    ("correct", "filter", "R", "--target", "M33"), ("targets", "rename", "M33", "Triangulum"),
)  # fmt: skip
IN_PLACE = ("flipped bits", "zeroed pages", "pages of noise", "swapped pages")
TOLD_BEFORE = "Before that:"  # what was stored, where damage was met after it
BOOKS = ("mark", "goal", "correction", "rig_note", "target_change")
Row = tuple[Any, ...]
Spoil = Callable[[bytearray, Random], bytes]


def _flip(raw: bytearray, draw: Random) -> bytes:
    for _ in range(draw.choice((1, 10, 300))):
        raw[draw.randrange(len(raw))] ^= 1 << draw.randrange(8)
    return raw


def _zero(raw: bytearray, draw: Random) -> bytes:
    for _ in range(draw.choice((1, 4, 20))):
        at = PAGE * draw.randrange(len(raw) // PAGE)
        raw[at : at + PAGE] = bytes(PAGE)
    return raw


def _noise(raw: bytearray, draw: Random) -> bytes:
    for _ in range(draw.choice((1, 4, 20))):
        at = PAGE * draw.randrange(len(raw) // PAGE)
        raw[at : at + PAGE] = draw.randbytes(PAGE)
    return raw


def _swap(raw: bytearray, draw: Random) -> bytes:
    one, other = (PAGE * draw.randrange(len(raw) // PAGE) for _ in range(2))
    raw[one : one + PAGE], raw[other : other + PAGE] = (
        raw[other : other + PAGE], raw[one : one + PAGE],
    )  # fmt: skip
    return raw


def _cut(raw: bytearray, draw: Random) -> bytes:
    return raw[: draw.randrange(1, len(raw))]


def _other(raw: bytearray, draw: Random) -> bytes:
    return draw.choice((b"These are my notes.\n" * 500, draw.randbytes(len(raw)), b"\n", b"%PDF-"))


WAYS: dict[str, Spoil] = {
    "flipped bits": _flip, "zeroed pages": _zero, "pages of noise": _noise,
    "swapped pages": _swap, "cut": _cut, "no database": _other,
}  # fmt: skip


def spoilt(world: World, draw: Random, times: int) -> Iterator[str]:
    """Spoil a database in every way and run some commands on it."""
    right = dict(zip(("frames", "totals", "nights"), said(world.base, world.folder), strict=True))
    for _ in range(times):
        for name, spoil in WAYS.items():
            place = world.place("spoilt")
            database = world.copy(place)
            database.write_bytes(spoil(bytearray(database.read_bytes()), draw))
            for words in (("totals", "--json"), ("check",), *draw.sample(ASKED, 2)):
                fault = judged(database, words, place, right, strict=name != "flipped bits")
                yield fault and f"{name}, {words}: {fault}"


def judged(
    database: Path, words: tuple[str, ...], place: Path, right: dict[str, str], *, strict: bool
) -> str:
    """Run a command on a spoilt database; `strict` where SQLite can notice all that was done."""
    before = database.read_bytes()
    done = run(database, *words, home=place)
    if fault := _fault(done):
        return fault
    told_before = not strict and TOLD_BEFORE in done.stderr
    if done.returncode and not told_before and database.read_bytes() != before:
        return "refused, and changed"
    told = words[0] in right and done.returncode == 0
    if told and strict and _sums(done.stdout) != _sums(right[words[0]]):
        return f"another sum: {done.stdout[:300]}"
    return ""


def _fault(done: "subprocess.CompletedProcess[str]") -> str:
    if "Traceback" in done.stderr or done.returncode not in (0, 3):
        return f"exit code {done.returncode}: {done.stderr[-600:]}"
    told = done.stderr.startswith("runlog: ") or "damaged" in done.stdout + done.stderr
    return "" if done.returncode == 0 or told else f"no words: {done.stderr[-300:]}"


def _sums(text: str) -> object:
    rows = json.loads(text)["rows"]
    return [(row.get("target"), row.get("frames"), row.get("logged_s")) for row in rows]


def written_into(world: World, draw: Random, times: int) -> Iterator[str]:
    """Let commands write into a spoilt database: refused before, or what was said stays."""
    for _ in range(times):
        for name, spoil in WAYS.items():
            database = world.copy(world.place("written"))
            database.write_bytes(spoil(bytearray(database.read_bytes()), draw))
            words = draw.choice(WRITERS)
            fault = _written_into(database, words, told_enough=name == "flipped bits")
            yield fault and f"{name}, {words}: {fault}"


def written_into_large(world: World, draw: Random, times: int) -> Iterator[str]:
    """The same with a file too large to be looked at whole before each write."""
    for _ in range(times):
        for name in IN_PLACE:
            database = world.copy(world.place("large"))
            small = database.stat().st_size
            _fill(database)
            raw = bytearray(database.read_bytes())
            head = WAYS[name](raw[:small], draw)
            database.write_bytes(bytes(head) + bytes(raw[small:]))
            words = draw.choice(WRITERS)
            fault = _written_into(database, words, told_enough=True)
            yield fault and f"{name}, {words}: {fault}"
            database.unlink()


def _written_into(database: Path, words: tuple[str, ...], *, told_enough: bool) -> str:
    """Run a command that writes; where SQLite cannot notice at once, what was stored is told."""
    before, said = database.read_bytes(), _said_in(database)
    done = run(database, *words, home=database.parent)
    if fault := _fault(done) or _lost(said, database):
        return fault
    changed = done.returncode != 0 and database.read_bytes() != before
    if changed and not (told_enough and TOLD_BEFORE in done.stderr):
        return f"refused, and changed: {done.stderr[-300:]}"
    return ""


def _fill(database: Path) -> None:
    with closing(sqlite3.connect(database)) as connection:
        rows = [(1_000_000 + i, bytes(1_000_000)) for i in range(WHOLE_BYTES // 1_000_000 + 1)]
        connection.executemany("INSERT INTO star_list (frame_id, stars) VALUES (?, ?)", rows)
        connection.commit()
    close(database)


def _lost(before: dict[str, list[Row]], database: Path) -> str:
    """Say what a person had said and was readable before, and is no more."""
    after = _said_in(database)
    gone = [table for table, rows in before.items() if after.get(table, [])[: len(rows)] != rows]
    return f"lost what was said in {', '.join(gone)}" if gone else ""


def _said_in(database: Path) -> dict[str, list[Row]]:
    """Read the books that can be read, past runlog; rows by number."""
    found: dict[str, list[Row]] = {}
    with closing(sqlite3.connect(f"{database.absolute().as_uri()}?mode=ro", uri=True)) as opened:
        for table in BOOKS:
            with suppress(sqlite3.Error, UnicodeDecodeError):
                found[table] = opened.execute(f"SELECT * FROM {table} ORDER BY id").fetchall()  # nosec B608
    return found


def strange(world: World, draw: Random, times: int) -> Iterator[str]:
    """Put something else where the database was, or beside it."""
    for _ in range(times):
        for name, put in STRANGE.items():
            place = world.place("strange")
            database = world.copy(place)
            put(database, draw)
            for words in (("totals", "--json"), ("check",), ("goal", "M33", "R", "2")):
                done = here(place, "--db", database, *words)
                fault = _fault(done)
                yield fault and f"{name}, {words}: {fault}"


def _folder(database: Path, _: Random) -> None:
    database.unlink()
    database.mkdir()


def _stale(database: Path, draw: Random) -> None:
    """Lay a -wal of nobody's beside it."""
    kept = database.with_name(database.name + "-wal")
    kept.write_bytes(draw.choice((b"", draw.randbytes(40_000), bytes(40_000))))


def _loop(database: Path, _: Random) -> None:
    database.unlink()
    database.symlink_to(database)


def _gone(database: Path, _: Random) -> None:
    database.unlink()


STRANGE: dict[str, Callable[[Path, Random], object]] = {
    "a folder": _folder, "a stale -wal": _stale, "a link to itself": _loop, "gone": _gone,
    "empty": lambda database, _: database.write_bytes(b""),
    "newer": lambda database, draw: _newer(database, draw),
    "earlier": lambda database, draw: take_back(database, draw.choice(("0003", "0006", "0010"))),
}  # fmt: skip


def _newer(database: Path, draw: Random) -> None:
    with closing(sqlite3.connect(database)) as connection:
        number = draw.choice(("9999", "0400", "zzzz"))
        connection.execute("UPDATE alembic_version SET version_num = ?", (number,))
        connection.commit()
