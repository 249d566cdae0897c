"""The settings that grade: in the database, so that all machines grade a rig alike."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Engine

from runlog.actions.names import meant
from runlog.config import SettingPlace, Settings, as_sections, graded_by, grading_of, grading_value
from runlog.errors import UsageError
from runlog.machine import this_machine
from runlog.store import before
from runlog.store import rig_settings as store
from runlog.store.engine import reading, write
from runlog.store.members import refuse_others_rig, require_a_rig, whose
from runlog.store.mine import login, my_rigs, rigs_i_decide_on
from runlog.store.rig_settings import RigSettings


@dataclass(frozen=True, slots=True)
class Difference:
    """A setting of which the config file says one thing while a rig is graded by another."""

    rig: str
    place: SettingPlace
    in_file: Any
    in_force: Any
    who: str
    at_utc: datetime


def in_force(connection: Connection, settings: Settings) -> dict[int, Settings]:
    """Give what each rig is graded by; a rig that never was is not there, and follows the file."""
    found = store.in_force(connection)
    return {rig_id: graded_by(settings, of_rig.says) for rig_id, of_rig in found.items()}


def settings_of(connection: Connection, rig_id: int, settings: Settings) -> Settings:
    """Give what one rig is graded by."""
    return in_force(connection, settings).get(rig_id, settings)


def settings_of_named(engine: Engine, settings: Settings, rig: str) -> tuple[str, Settings]:
    """Give the full name of the one rig that is meant, and what it is graded by.

    Raises
    ------
    UsageError
        When no rig or several have the words in their name.
    """
    with reading(engine) as connection:
        chosen = named_rigs(store.rigs(connection), rig)
        if len(chosen) > 1:
            raise UsageError(f"{rig!r} may mean several rigs", cure="; ".join(chosen.values()))
        ((rig_id, name),) = chosen.items()
        return name, settings_of(connection, rig_id, settings)


def stands(connection: Connection, rig_id: int, used: Settings) -> bool:
    """Tell whether a rig is graded by what was used; the first time that is put in force."""
    now = store.in_force(connection).get(rig_id)
    if now is not None:
        return grading_of(graded_by(used, now.says)) == grading_of(used)
    origin = f"from {used.source}" if used.source else "without a config file,"
    who = f"first recorded, {origin} on {this_machine()}"
    if me := login(connection):
        who = f"{me}, {who}"
    store.append(connection, rig_id, as_sections(grading_of(used)), who, datetime.now(UTC))
    return True


# --- where the file says otherwise ------------------------------------------------------------


def differences(connection: Connection, settings: Settings) -> list[Difference]:
    """List what the config file says otherwise than the database; what it leaves out says nothing.

    The file alone speaks here: what follows from no file cannot differ from anything.
    """
    said = {p: value for p, value in grading_of(settings).items() if p in settings.said}
    if not said:
        return []
    mine = rigs_i_decide_on(connection)  # nobody else puts the file in force there
    return [
        Difference(of_rig.rig, place, value, now, of_rig.who, of_rig.at_utc)
        for of_rig in store.in_force(connection).values()
        if of_rig.rig_id in mine
        for graded in [graded_by(settings, of_rig.says)]
        for place, value in said.items()
        if (now := grading_value(graded, place)) != value
    ]


def tell_differences(engine: Engine, settings: Settings, tell: Callable[[str], None]) -> None:
    """Say loudly where the config file says otherwise, and what to do."""
    if not settings.said:
        return
    with reading(engine) as connection:
        found = differences(connection, settings)
    if not found:
        return
    tell(f"{settings.source} says otherwise than what frames are graded by:")
    for d in found:
        since = f"since {d.at_utc:%Y-%m-%d}, {d.who}"
        graded = "without one" if d.in_force is None else f"by {written(d.in_force)}"
        words = f"{written(d.in_file)} in the file; frames are graded {graded} ({since})"
        tell(f"  {d.rig}: {'.'.join(d.place)} is {words}")
    tell(
        "  Grades keep to what is in force. To grade by the file: runlog policy adopt; to be rid "
        "of this, make the file say the same, or nothing"
    )


def written(value: Any) -> str:
    """Write a value as the config file would."""
    if isinstance(value, list):
        return f"[{', '.join(f'{number:g}' for number in value)}]"
    if value is None:
        return "not set"
    return f"{value:g}" if isinstance(value, int | float) else f'"{value}"'


def written_sections(sections: Mapping[str, Any]) -> list[str]:
    """Write settings a line each, as in policy.soft_ratio = [1.3, 2]."""
    said = grading_of(graded_by(Settings(), sections))
    return [f"{'.'.join(place)} = {written(value)}" for place, value in said.items()]


# --- taking the file over -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Adopted:
    """Rigs that are graded by the file from now on, and those left to whoever keeps them."""

    changed: list[str]
    left: list[str]  # each with who keeps it


def adopt(engine: Engine, settings: Settings, rig: str | None, who: str) -> Adopted:
    """Put what the config file says in force for the rigs named, or for all one decides on.

    Rigs that are somebody's are left by the keeper as these adopted them, unless named. What it
    changes is told by `tell_changes`, once the rigs' nights are settled.

    Raises
    ------
    NotYoursError
        When the rig named is others', or no rig is one's own.
    """
    now = datetime.now(UTC)

    def work(connection: Connection) -> Adopted:
        chosen = named_rigs(store.rigs(connection), rig)
        said = store.in_force(connection)
        new = [i for i in chosen if not _says(said.get(i), settings)]
        changed, left = new, list[str]()
        if rig is None:
            require_a_rig(connection)
            deciding = rigs_i_decide_on(connection)
            others = sorted(my_rigs(connection).intersection(new) - deciding)
            left = [whose(connection, i, chosen[i]) for i in others]
            changed = [i for i in new if i in deciding]
        else:
            for rig_id, name in chosen.items():
                refuse_others_rig(connection, rig_id, name)
        if changed:
            before.remember(connection)
        for rig_id in changed:
            store.append(connection, rig_id, as_sections(grading_of(settings)), who, now)
            store.touch_rig(connection, rig_id)
        return Adopted([chosen[rig_id] for rig_id in changed], left)

    return write(engine, work, "the limits are in force")


def _says(now: RigSettings | None, settings: Settings) -> bool:
    said: Mapping[str, Any] = as_sections(grading_of(settings))
    return now is not None and now.says == said


def named_rigs(rigs: Mapping[int, str], name: str | None) -> dict[int, str]:
    """Choose rigs by a part of their name; all where none is given."""

    def find(text: str) -> dict[int, str]:
        return {i: rig for i, rig in rigs.items() if text.lower() in rig.lower()}

    chosen = meant(name or "", find)
    if not chosen:
        known = "; ".join(sorted(rigs.values()))
        cure = f"There is {known}" if known else "Scan your frames first: runlog scan FOLDER"
        raise UsageError(f"No rig is called {name!r}" if name else "There is no rig", cure=cure)
    return chosen


def settings_history(engine: Engine) -> list[RigSettings]:
    """List what each rig was ever graded by, oldest first."""
    with reading(engine) as connection:
        return store.history(connection)
