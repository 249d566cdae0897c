"""The name a target goes by today: folded by the rules, then as a person merged or renamed it."""

from collections.abc import Iterable

from sqlalchemy import Connection

from runlog.core.targets.edit_distance import alike
from runlog.core.targets.sequence_words import split_panel
from runlog.errors import UsageError
from runlog.store import goals as goal_store
from runlog.store.catalogue import target_names
from runlog.store.choose import rigs
from runlog.store.targets import changes_in_force, targets_seen


def one_target(connection: Connection, typed: str) -> str:
    """Fold a target's name as the frames' own are."""
    changes = changes_in_force(connection)
    plain = " ".join(typed.split())
    if plain in changes.same or plain in changes.same.values() or plain in changes.apart.values():
        return changes.final(plain)
    return changes.final(target_names().fold(typed).name)


def all_targets(connection: Connection) -> set[str]:
    """List the targets of light frames, and the mosaics their panels belong to."""
    seen = targets_seen(connection)
    return seen | {split_panel(name)[0] for name in seen}


def seen_target(connection: Connection, typed: str) -> str:
    """Fold a target's name; one that no frame and no goal has is refused, with what is near it."""
    seen = all_targets(connection)
    plain = " ".join(typed.split())
    name = plain if plain in seen else one_target(connection, typed)
    wanted = {target for target, _ in goal_store.goals(connection)}
    if name in seen | wanted or not seen:
        return name
    raise UsageError(
        f"No frame of {name} is stored",
        cure=_near(name, seen | wanted) + "runlog targets lists the targets there are",
    )


def refuse_unknown_rig(connection: Connection, part: str) -> None:
    """Refuse a part of a rig's name that fits none, with what is near it."""
    names = {rig.name for rig in rigs(connection)}
    if names and not any(part.lower() in name.lower() for name in names):
        raise UsageError(
            f"No rig is called {part!r}", cure=f"There are: {', '.join(sorted(names))}"
        )


def _near(name: str, known: Iterable[str]) -> str:
    near = alike(name, known)
    return f"Did you mean {' or '.join(near)}? " if near else ""
