"""The name a target goes by today: folded by the rules, then as a person merged or renamed it."""

from sqlalchemy import Connection

from runlog.store.catalogue import target_names
from runlog.store.targets import changes_in_force


def one_target(connection: Connection, typed: str) -> str:
    """Fold a target's name as the frames' own are."""
    changes = changes_in_force(connection)
    plain = " ".join(typed.split())
    if plain in changes.same or plain in changes.same.values() or plain in changes.apart.values():
        return changes.final(plain)
    return changes.final(target_names().fold(typed).name)
