"""The name a target goes by today: folded by the rules, then as a person merged or renamed it."""

from collections.abc import Callable, Iterable
from typing import TypeVar

from sqlalchemy import Connection

from runlog.core.corrections.in_force import TargetChanges
from runlog.core.escape import unescaped
from runlog.core.selection import Selection
from runlog.core.targets.edit_distance import alike
from runlog.core.targets.sequence_words import split_panel
from runlog.errors import UsageError
from runlog.store import goals as goal_store
from runlog.store.catalogue import target_names
from runlog.store.choose import holds_any
from runlog.store.targets import changes_in_force, targets_seen

T = TypeVar("T")


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
    wanted = {target for target, _ in goal_store.goals(connection)}
    name = target_among(connection, typed, seen | wanted)
    if name in seen | wanted or not seen or holds_any(connection, Selection(target=name)):
        return name
    raise UsageError(
        f"No frame of {name} is stored",
        cure=near_words(name, seen | wanted) + "runlog targets lists the targets there are",
    )


def target_among(connection: Connection, typed: str, known: set[str]) -> str:
    """Give the target that a person means, one of those known if there is one; else as folded."""

    def find(text: str) -> str | None:
        plain = " ".join(text.split())
        name = plain if plain in known else one_target(connection, text)
        return name if name in known else None

    return meant(typed, find) or one_target(connection, typed)


def meant(typed: str, find: Callable[[str], T]) -> T:
    """Find what is called as typed or, where there is no such thing, as CSV writes it.

    Raises
    ------
    UsageError
        When the two are different things: what is not meant must not be changed.
    """
    found, plain = find(typed), unescaped(typed)
    if plain is None or plain == typed:
        return found
    other = find(plain)
    if found and other and found != other:
        raise UsageError(
            "This is one name as it stands, and another one as CSV writes it",
            typed,
            "For the first, write each backslash twice; for the other, write it without any",
        )
    return found or other


def near_words(name: str, known: Iterable[str]) -> str:
    """Offer the known names that a person may have meant, before what else there is to say."""
    near = alike(name, known)
    return f"Did you mean {' or '.join(near)}? " if near else ""
