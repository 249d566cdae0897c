"""Health of the database, the config and the files: each finding with its cure."""

import os
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, Engine, text

from runlog.actions.open import settle_behind
from runlog.actions.rig_settings import in_force
from runlog.actions.scan import measured_before
from runlog.actions.settings_digest import settings_digest
from runlog.config import Settings, chosen_config, default_config
from runlog.core.columns import plural
from runlog.core.corrections.gathered import Raised, gather
from runlog.core.failures import FailureKind, cure_of_failure, kind_of_failure
from runlog.core.frame import Kind
from runlog.errors import StoreError
from runlog.store import files as file_store
from runlog.store.asking import count_by_kind, nights_asking, questions_asked
from runlog.store.choose import everyone
from runlog.store.damage import copies_beside, look_at_damage
from runlog.store.engine import file_of, reading, write
from runlog.store.exposures import counted_twice, recount
from runlog.store.migrate import stored_revision
from runlog.store.mine import my_rigs
from runlog.store.private import close_to_others, open_to_others
from runlog.store.runs import count_settled_otherwise

# What a person would miss of a database, by table.
BOOK_NAMES = {
    "frame": "frames", "mark": "marks", "correction": "corrections", "goal": "goals",
    "rig_note": "notes",
}  # fmt: skip
CURE_DAMAGE = (
    "Close runlog and keep the damaged file: move it elsewhere, with those named -wal and -shm.\n"
    "Put a copy in its place, from your own copies or those named here, and scan your frames again:"
    " what is newer comes back.\n"
    "Without a copy scan all anew: frames come back; marks, corrections, goals and notes do not"
)
KEPT_READY = 5  # examples named per finding
MOST_READ_WHOLE = 50_000  # frames; of more the pages are read only where that is asked for


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at: whether it is well, what was found, what to do."""

    about: str
    well: bool
    text: str
    cure: str = ""


def check(
    engine: Engine,
    settings: Settings,
    config: Path | None,
    *,
    thorough: bool = False,
    private: bool = False,
) -> list[Finding]:
    """Look at everything that can go wrong between files and totals.

    What means reading all there is (the pages of the database, whether an exposure counts twice)
    is left out of large ones unless it is to be `thorough`, which also looks whether indexes agree
    with the rows. With `private` the database's files are made readable by their owner alone.
    """
    with reading(engine) as connection:
        kinds = count_by_kind(connection)
    whole = thorough or sum(kinds.values()) <= MOST_READ_WHOLE
    return [
        _config(config),
        *_database(engine, thorough, whole),
        *_rights(engine, private),
        *_files(engine),
        *(_exposures(engine, settings) if whole else ()),
        *_frames(engine, settings, kinds),
    ]


def check_damaged(database: Path, config: Path | None) -> list[Finding]:
    """Say what is wrong with a damaged file, what of it can be read, and what to do."""
    damage = look_at_damage(database)
    found = [_config(config), *(Finding("database", False, line) for line in damage.lines)]
    for table, rows in damage.rows.items():
        name = BOOK_NAMES[table]
        told = f"the {name} cannot be read" if rows is None else f"{rows} {name} can be read"
        found.append(Finding("database", rows is not None, told))
    told = f"{database} is damaged; your frames are untouched"
    return [*found, *_copies(damage.copies), Finding("database", False, told, CURE_DAMAGE)]


def _copies(copies: Mapping[Path, int | None]) -> Iterator[Finding]:
    for copy, frames in copies.items():
        told = "its frames cannot be read" if frames is None else plural(frames, "frame")
        yield Finding("copies", frames is not None, f"{copy.name}: {told}")


def _config(named: Path | None) -> Finding:
    path = chosen_config(named)
    if path is not None:
        return Finding("config", True, f"read from {path}")
    return Finding(
        "config", True, f"none ({default_config()} does not exist); the defaults are used"
    )


def _database(engine: Engine, thorough: bool, whole: bool) -> list[Finding]:
    with reading(engine) as connection:
        revision = stored_revision(connection)
        found = [Finding("database", True, f"{_shown(engine)}, tables of version {revision}")]
        if not whole:
            words = "large: its pages were not read, and exposures counted twice not looked for"
            found.append(
                Finding("database", True, words, "To do that too: runlog check --thorough")
            )
        elif engine.dialect.name == "sqlite":
            found.extend(_integrity(connection, thorough))
    return found


def _integrity(connection: Connection, thorough: bool) -> Iterator[Finding]:
    asked = "integrity_check" if thorough else "quick_check"
    answer = connection.execute(text(f"PRAGMA {asked}")).scalar()
    database = file_of(connection.engine)
    if answer != "ok" and database is not None:
        yield from _copies(copies_beside(database))
        yield Finding("database", False, f"integrity: {answer}", CURE_DAMAGE)
    elif thorough:
        yield Finding("database", True, "integrity: ok, indexes included")
    else:
        words = "integrity: ok; whether indexes agree with the rows was not looked at"
        yield Finding("database", True, words, "To look at that as well: runlog check --thorough")


def _rights(engine: Engine, mend: bool) -> list[Finding]:
    """Look for others who may read a database that is a file; take that from them if asked to."""
    path = file_of(engine)
    found = open_to_others(path) if path is not None else []
    if path is None or not found:
        return []
    left = close_to_others(path) if mend else found
    names = ", ".join(each.name for each in left[:KEPT_READY])
    names += f" and {len(left) - KEPT_READY} more" if len(left) > KEPT_READY else ""
    if not left:
        words, cure = f"{plural(len(found), 'file')} readable by you alone now", ""
    elif mend:
        words = f"could not be closed to others: {names}"
        cure = "They belong to another user, or the disk knows no rights"
    else:
        words = f"others on this machine may read {names}"
        cure = "To keep them to yourself: runlog check --private"
    return [Finding("database", not left, words, cure)]


def _shown(engine: Engine) -> str:
    return engine.url.database or engine.url.render_as_string(hide_password=True)


def _files(engine: Engine) -> list[Finding]:
    with reading(engine) as connection:
        counts = file_store.count_files(connection)
        failed = file_store.failures(connection)
    found = [Finding("files", True, f"{counts['files']} known")]
    if lost := counts["lost_frames"]:
        found.append(
            Finding(
                "files",
                False,
                f"{lost} frame{'s' * (lost > 1)} missing from disk; still counted",
                "Plug in the disk, or scan the folder they moved to",
            )
        )
    if away := counts["elsewhere_frames"]:
        words = "Where they are: runlog roots; if also here: runlog roots map NAME FOLDER"
        found.append(
            Finding("files", True, f"{plural(away, 'frame')} only on other machines", words)
        )
    found.extend(_of_other_rigs([why for _, why in failed if _is_of_others(why)]))
    unreadable = [(path, why) for path, why in failed if not _is_of_others(why)]
    for path, reason in unreadable[:KEPT_READY]:
        found.append(
            Finding(
                "files",
                False,
                f"{os.fsdecode(path)} {reason}",
                cure_of_failure(reason),
            )
        )
    if len(unreadable) > KEPT_READY:
        more = len(unreadable) - KEPT_READY
        found.append(
            Finding("files", False, f"{more} more unreadable", "runlog frames --fault unreadable")
        )
    return found


def _is_of_others(why: str) -> bool:
    return kind_of_failure(why) is FailureKind.OF_ANOTHERS_RIG


def _of_other_rigs(reasons: Sequence[str]) -> list[Finding]:
    """Say of files of a rig that others keep why they were not stored: nothing ails them."""
    return [
        Finding("files", True, f"{plural(count, 'file')} {why}", cure_of_failure(why))
        for why, count in sorted(Counter(reasons).items())
    ]


def _exposures(engine: Engine, settings: Settings) -> list[Finding]:
    """Look for exposures that count twice, as writers without a common lock left them; heal it."""
    with reading(engine) as connection:
        twice = counted_twice(connection)
    if not twice:
        return []
    many = f"{plural(sum(twice.values()), 'frame')} counted besides another of the same exposure"
    try:
        write(engine, lambda connection: [recount(connection, start) for start in twice])
        settle_behind(engine, settings)
        with reading(engine) as connection:
            left = counted_twice(connection)
    except StoreError as error:
        return [Finding("exposures", False, f"{many}, which cannot be changed", str(error))]
    if left:
        return [Finding("exposures", False, many, "others keep their rigs: runlog check by these")]
    healed = "healed: each exposure counts once now; grades and totals were made anew"
    return [Finding("exposures", False, many, healed)]


def _frames(
    engine: Engine, settings: Settings, kinds: Mapping[tuple[str, bool], int]
) -> list[Finding]:
    with reading(engine) as connection:
        otherwise = _graded_otherwise(connection, settings)
    counts: Counter[str] = Counter()
    for (kind, _), count in kinds.items():
        counts[kind] += count
    listed = ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items())) or "none yet"
    copies = kinds.get((Kind.LIGHT.value, False), 0)
    found = [Finding("frames", True, listed)]
    if old := measured_before(engine):
        found.append(
            Finding(
                "measurements",
                False,
                f"{old} frame{'s' * (old > 1)} measured by an earlier version of runlog",
                "runlog scan --remeasure",
            )
        )
    if otherwise:
        found.append(
            Finding(
                "grades",
                False,
                f"{plural(otherwise, 'night')} graded by other limits, for another site or by an "
                "earlier version of runlog",
                "runlog regrade",
            )
        )
    if copies:
        found.append(
            Finding("frames", True, f"{copies} processed copies of exposures, not counted twice")
        )
    return found + _headers(engine)


def _graded_otherwise(connection: Connection, settings: Settings) -> int:
    wanted = in_force(connection, settings)
    return sum(
        count_settled_otherwise(connection, rig_id, settings_digest(wanted.get(rig_id, settings)))
        for rig_id in my_rigs(connection)
    )


def _headers(engine: Engine) -> list[Finding]:
    """Gather what headers leave in doubt, each question once with the command that settles it."""
    with reading(engine) as connection:
        asking = questions_asked(connection)
        if not asking:
            return []
        stored = everyone(connection, nights_asking(connection))
        raised = [
            Raised(q["code"], q["text"], q.get("cure", ""), sight)
            for sight in stored.near
            for q in asking.get(sight.id, ())
        ]
        asked = gather(raised, stored)
    return [Finding("headers", False, a.counted, a.cured) for a in asked]
