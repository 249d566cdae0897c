"""What must hold after a command was struck at any moment, and after it is run once more.

Each rule looks at what lies there and yields what is wrong with it, in words; nothing wrong is
nothing said. `after_strike` is asked of a copy, so that looking mends nothing; `after_next` of the
home itself, once the same command was run again and left alone.

1. Each exposure counts once: hours are those in the headers of the files read (by astropy).
2. Books only grow; an entry of the command that was struck is there whole or not at all.
3. The database is whole, and `check` finds nothing wrong with it.
4. No file of frames changes; links are whole, lead to frames, and lie in their folder.
5. Ctrl-C ends with words that are true, exit code 130 and no traceback; a server that goes away
   with words and exit code 3, unless all was done.
6. Nobody outlives the command.
7. The same command once more leaves the database, its listings and its folder as if it had never
   been struck.
"""

import os
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from astropy.io import fits

from tests.interruptions.cases import INTERFACE, LINKS, Case
from tests.interruptions.dump import Meaning, Row, books, difference, integrity, rows_of
from tests.interruptions.strike import Signal, Struck
from tests.interruptions.world import DATABASE, World

INTERRUPTED = (130, -2)  # a shell says 130 of both: Python may end itself by the signal
CANNOT_WORK = 3
STOPPED = "stopped"
DONE = "already done"
GO_ON = ("again", "with the next command")  # one of them is in what tells how to go on
UNLIKE = {"id", "at_utc", "undoes"}  # of two entries that say the same
ASKED = ("headers", "measurements", "grades")  # what check asks of a person, whatever was struck
NOTES_TOLD = ("night", "nights")  # a note that is said twice is told twice
LISTINGS = ("frames", "nights", "totals", "targets", "night", "check")

Books = Mapping[str, list[Row]]
Ask = Callable[..., Any]  # a command with --json: what it says


@dataclass(frozen=True, slots=True)
class Whole:
    """What a command leaves that was never struck."""

    before: Books
    after: Books
    meaning: Meaning
    said: Mapping[str, Any]  # by listing
    links: Mapping[str, str]
    beside: Counter[str]  # files beside the database, by their kind
    code: int


def after_strike(case: Case, world: World, struck: Struck, copy: Path, whole: Whole, ask: Ask
                 ) -> Iterator[str]:  # fmt: skip
    """Say what is wrong with what a struck command left; `copy` is of its home."""
    if struck.orphans:
        yield f"{struck.orphans} processes outlive it"
    lost_server = struck.signal is Signal.CTRL_C_BOTH and struck.code == CANNOT_WORK
    if struck.signal.is_heard and struck.in_time and not lost_server:
        yield from wrong_words(case, world, struck, copy, whole)
    if struck.signal is Signal.SERVER or lost_server:
        yield from wrong_without_server(struck, whole)
    if world.summed() != world.sums:
        yield "files of frames were changed"
    yield from wrong_links(world, copy / LINKS)
    if not world.has_tables(copy):
        return
    database = world.database(copy)
    if (answer := integrity(database)) != "ok":
        yield f"the database is damaged: {answer}"
    yield from wrong_books(case, books(database), whole, again=False)
    yield from wrong_hours(ask("totals"), database)
    yield from wrong_health(ask("check"))


def after_next(case: Case, world: World, code: int, err: str, home: Path, whole: Whole,
               meaning: Meaning, ask: Ask, *, listed: bool) -> Iterator[str]:  # fmt: skip
    """Say in what a home differs from one whose command was never struck.

    What listings say follows from the database, so that they need not be `listed` each time.
    """
    if code != whole.code and not (case.refused and case.refused in err):
        yield f"the same command ends with {code}: {err.strip()}"
        return
    database = world.database(home)
    yield from wrong_books(case, books(database), whole, again=True)
    if unlike := difference(whole.meaning, meaning):
        yield f"the database is another than undisturbed ({unlike})"
    said = listings(ask) if listed else whole.said
    twice = entries(case, books(database), whole) > entries(case, whole.after, whole)
    untold = NOTES_TOLD if twice and case.book == "rig_note" else ()
    yield from (
        f"{name} says something else"
        for name in LISTINGS
        if name not in untold and said[name] != whole.said[name]
    )
    if links_in(home / LINKS) != whole.links:
        yield "the links are others than undisturbed"
    yield from wrong_links(world, home / LINKS)
    if (left := files_beside(home)) != whole.beside:
        yield f"{dict(left)} lie beside the database, not {dict(whole.beside)}"
    if temporary := sorted(path.name for path in (home / "tmp").iterdir()):
        yield f"temporary files are left: {', '.join(temporary)}"
    if answer := [a for a in (integrity(database),) if a != "ok"]:
        yield f"the database is damaged: {answer[0]}"
    if world.summed() != world.sums:
        yield "files of frames were changed"


# --- hours ----------------------------------------------------------------------------------


def wrong_hours(totals: Any, database: str) -> Iterator[str]:
    """Hold hours against the headers of the light frames that the database has read."""
    logged_s = sum(row["logged_s"] for row in totals["rows"])
    wanted_s = sum(length for _, _, length in exposures(files_read(database)))
    if logged_s != wanted_s:
        yield f"{logged_s:g} s are logged, and {wanted_s:g} s are in the headers of the files read"


def files_read(database: str) -> list[Path]:
    """List the files of frames that a database has read, by plain SQL."""
    query = (
        "SELECT mount.path, file.path FROM file JOIN mount ON mount.root_id = file.root_id "
        "WHERE file.header_id IS NOT NULL"
    )
    found = rows_of(database, query)
    return [Path(os.fsdecode(bytes(folder) + b"/" + bytes(path))) for folder, path in found]


def exposures(files: Sequence[Path]) -> set[tuple[str, str, float]]:
    """Give the different exposures of light frames: camera, start, length."""
    headers = [fits.getheader(path) for path in files]
    lights = [h for h in headers if "light" in h["IMAGETYP"].lower()]
    return {(h["INSTRUME"], h["DATE-OBS"], float(h["EXPTIME"])) for h in lights}


# --- books ----------------------------------------------------------------------------------


def wrong_books(case: Case, now: Books, whole: Whole, *, again: bool) -> Iterator[str]:
    """Hold books against those of before, and new entries against the one that was asked for.

    Once struck, an entry is there or not; after the command ran again, once or twice where it is
    what a person said, and once where it is what the program notes by itself.
    """
    for name, rows in now.items():
        before, entry = whole.before[name], whole.after[name][len(whole.before[name]) :]
        if name == "correction_frame":
            yield from _wrong_corrections(now["correction"], rows, before)
            continue
        if not _stand(rows, before):
            yield f"what was said in {name} is another now"
        added = rows[len(before) :]
        most = 2 if again and name == case.book else 1
        times = [n for n in range(int(again), most + 1) if _says(added) == _says(entry) * n]
        if entry and not times:
            yield f"{len(added)} rows in {name}, and an entry has {len(entry)}"
        if not entry and added:
            yield f"{len(added)} rows in {name} that nobody asked for"


def entries(case: Case, now: Books, whole: Whole) -> int:
    """Count the entries of the command in its book: one where it was written, none else."""
    return len(now[case.book]) - len(whole.before[case.book]) if case.book else 0


def _stand(rows: Sequence[Row], before: Sequence[Row]) -> bool:
    """Tell whether all entries are as they were; a migration may have given them new columns."""
    same = (old.items() <= now.items() for old, now in zip(before, rows, strict=False))
    return len(rows) >= len(before) and all(same)


def _says(rows: Sequence[Row]) -> list[Row]:
    return [{name: value for name, value in row.items() if name not in UNLIKE} for row in rows]


def _wrong_corrections(book: list[Row], frames: list[Row], before: list[Row]) -> Iterator[str]:
    counts = Counter(row["correction_id"] for row in frames)
    for row in book:
        if row["undoes"] is None and counts[row["id"]] != row["frames"]:
            yield f"a correction of {row['frames']} frames names {counts[row['id']]}"
    if any(row not in frames for row in before):
        yield "a correction lost frames"


# --- files ----------------------------------------------------------------------------------


def links_in(folder: Path) -> dict[str, str]:
    """List all that lies below a folder, and where links lead; hard links by what they hold."""
    found = (path for path in sorted(folder.rglob("*")) if path.is_symlink() or path.is_file())
    return {str(path.relative_to(folder)): str(path.resolve() if path.is_symlink() else
            path.stat().st_ino) for path in found}  # fmt: skip


def wrong_links(world: World, folder: Path) -> Iterator[str]:
    """See that all that lies in a tree of links is a frame."""
    inodes = {path.stat().st_ino for path in world.sums}
    for path in folder.rglob("*"):
        if path.is_dir() and not path.is_symlink():
            continue
        if not path.exists() or path.stat().st_ino not in inodes:
            yield f"{path.name} among the links is no frame"


def files_beside(home: Path) -> "Counter[str]":
    """Count what lies in a home by what it is; each copy made before a migration must be whole."""
    found: Counter[str] = Counter()
    for path in home.iterdir():
        if path.name in ("tmp", LINKS) or path.name in _own(DATABASE):
            continue
        found[_kind(path)] += 1
    return found


def _own(name: str) -> set[str]:
    return {name, f"{name}-wal", f"{name}-shm"}


def _kind(path: Path) -> str:
    stem, end = DATABASE.split(".")
    if path.name.startswith(f"{stem}.0") and path.name.endswith(f"Z.{end}"):
        return f"copy of {path.name[len(stem) + 1 :][:4]}, {integrity(str(path))}"
    return path.name


# --- words ----------------------------------------------------------------------------------


def wrong_health(checked: Any) -> Iterator[str]:
    """See that `check` finds nothing wrong with database and exposures."""
    for row in checked["rows"]:
        if not row["well"] and row["about"] not in ASKED:
            yield f"check says of the {row['about']}: {row['text']}"


def wrong_words(
    case: Case, world: World, struck: Struck, copy: Path, whole: Whole
) -> Iterator[str]:
    """Hold what Ctrl-C says against what is there: what was stored, and how to go on."""
    if _had_not_begun(struck):
        return
    if "Traceback" in struck.err or "Exception ignored" in struck.err:
        yield f"a traceback: {struck.err.strip()[-300:]}"
    if struck.code == whole.code:
        return  # it came too late to change anything; that all is done is asked by what follows
    if case.interface == INTERFACE:
        return  # it gave its terminal back, whose words are not read here
    if struck.code not in INTERRUPTED:
        yield f"Ctrl-C ends with {struck.code}: {struck.err.strip()[-200:]}"
    words = struck.err.lower()
    if STOPPED not in words or not any(word in words for word in GO_ON):
        yield f"it does not say what was kept and how to go on: {struck.err.strip()!r}"
    if case.book and world.has_tables(copy):
        there = entries(case, books(world.database(copy)), whole) > 0
        if there != (DONE in words):
            yield f"the entry is {'' if there else 'not '}there, and it says {struck.err.strip()!r}"


def _had_not_begun(struck: Struck) -> bool:
    """Tell whether Ctrl-C struck Python itself, before the first line of ours."""
    return struck.code in (1, *INTERRUPTED) and "runlog" not in struck.err


def wrong_without_server(struck: Struck, whole: Whole) -> Iterator[str]:
    """See that a command whose server went away does all it was asked, or says why not."""
    if struck.code not in (whole.code, CANNOT_WORK) or "Traceback" in struck.err:
        yield f"without its server it ends with {struck.code}: {struck.err.strip()[-300:]}"
    if struck.code == CANNOT_WORK and "server" not in struck.err:
        yield f"it does not say that the server went away: {struck.err.strip()!r}"


def listings(ask: Ask) -> dict[str, Any]:
    """Ask for every listing, without row numbers and moments of reading."""
    return {name: _plain(ask(name)) for name in LISTINGS}


def _plain(said: Any) -> Any:
    if isinstance(said, list):
        return [_plain(each) for each in said]
    if isinstance(said, dict):
        return {k: _plain(v) for k, v in said.items() if k not in ("id", "at_utc")}
    return said
