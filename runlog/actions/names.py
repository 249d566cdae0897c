"""The name a target goes by today: folded by the rules, then as a person merged or renamed it."""

from collections.abc import Iterable

from sqlalchemy import Connection

from runlog.core.corrections.in_force import TargetChanges
from runlog.core.selection import Selection
from runlog.core.targets.edit_distance import alike
from runlog.core.targets.sequence_words import split_panel
from runlog.errors import UsageError
from runlog.store import goals as goal_store
from runlog.store.catalogue import target_names
from runlog.store.choose import holds_any
from runlog.store.targets import changes_in_force, targets_seen


def one_target(connection: Connection, typed: str) -> str:
    """Fold a target's name as the frames' own are."""
    return called(changes_in_force(connection), typed)


def called(changes: TargetChanges, typed: str) -> str:
    """Give the name a target goes by, whatever a person typed for it."""
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
    if name in seen | wanted or not seen or holds_any(connection, Selection(target=name)):
        return name
    raise UsageError(
        f"No frame of {name} is stored",
        cure=near_words(name, seen | wanted) + "runlog targets lists the targets there are",
    )


def near_words(name: str, known: Iterable[str]) -> str:
    """Offer the known names that a person may have meant, before what else there is to say."""
    near = alike(name, known)
    return f"Did you mean {' or '.join(near)}? " if near else ""
