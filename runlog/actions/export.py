"""Hand over kept frames: a list, a table with shares of depth, a tree that overwrites nothing."""

import errno
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Engine

from runlog import stopping
from runlog.core.columns import plural
from runlog.core.frame import Grade
from runlog.core.ledger.link_names import Keeper, places, weighted
from runlog.core.selection import Selection
from runlog.errors import UsageError
from runlog.store.engine import reading
from runlog.store.keepers import keepers

LINK_THE_REST = "the same command again makes the others"
# `weight` is what `depth_share` was called in runlog.export/1: to be gone in the next release.
EXPORT_KEYS = "path target filter night exposure_s effective_s depth_share weight".split()


@dataclass(frozen=True, slots=True)
class Keepers:
    """What is handed over, and the kept frames whose files are not on disk now."""

    frames: list[Keeper]
    gone: list[bytes]


def kept(engine: Engine, selection: Selection, doubtful: bool) -> Keepers:
    """Load the keepers among the frames chosen, each with its share of the depth of the best."""
    grades = (Grade.KEEP.value, *((Grade.DOUBTFUL.value,) if doubtful else ()))
    with reading(engine) as connection:
        here, gone = keepers(connection, selection, grades)
    return Keepers(weighted(here), gone)


def export_rows(found: Keepers) -> list[dict[str, Any]]:
    """Write keepers as rows."""
    return [_row(keeper) for keeper in found.frames]


def _row(keeper: Keeper) -> dict[str, Any]:
    special = {
        "path": os.fsdecode(keeper.path),
        "night": keeper.night or None,
        "weight": keeper.depth_share,
    }
    return {k: special[k] if k in special else getattr(keeper, k) for k in EXPORT_KEYS}


# --- links ----------------------------------------------------------------------------------


@dataclass(slots=True)
class Linked:
    """What became of a tree of links."""

    made: list[bytes] = field(default_factory=list)
    there: int = 0  # the same link was there before
    refused: list[tuple[bytes, str]] = field(default_factory=list)


def link_tree(folder: bytes, frames: Sequence[Keeper], hard: bool, dry_run: bool) -> Linked:
    """Link frames as target/filter/night/name; what lies in the way is left alone and named."""
    root = os.path.abspath(folder)
    if os.path.lexists(root) and not os.path.isdir(root):
        raise UsageError("This is a file, not a folder", os.fsdecode(root))
    result = Linked()
    make = os.link if hard else os.symlink
    try:
        for keeper, place in places(frames):
            at = os.path.join(root, *place)
            if strange := _strange(root, place[:-1]):
                words = "a link or file lies where its folder should be; it was left alone"
                result.refused.append((strange, words))
            else:
                _link(keeper.path, at, make, result, dry_run)
    except KeyboardInterrupt:
        if result.made and not dry_run:
            stopping.stored(f"{plural(len(result.made), 'link')} made", LINK_THE_REST)
        raise
    return result


def _strange(root: bytes, parts: Sequence[bytes]) -> bytes | None:
    """Find what lies in the tree where a folder should be; a link might lead out of the tree."""
    for part in parts:
        root = os.path.join(root, part)
        if os.path.lexists(root) and (os.path.islink(root) or not os.path.isdir(root)):
            return root
    return None


def _link(
    source: bytes,
    at: bytes,
    make: Callable[[bytes, bytes], None],
    result: Linked,
    dry_run: bool,
) -> None:
    if os.path.lexists(at):
        if _is_same(source, at):
            result.there += 1
        else:
            result.refused.append((at, "another file lies there; it was left alone"))
        return
    if dry_run:
        result.made.append(at)
        return
    try:
        os.makedirs(os.path.dirname(at), exist_ok=True)
        with stopping.undisturbed():
            make(source, at)  # fails where something lies: nothing is ever overwritten
            result.made.append(at)
    except OSError as error:
        result.refused.append((at, _why(error)))


def _is_same(source: bytes, at: bytes) -> bool:
    try:
        return os.path.samefile(source, at)
    except OSError:
        return False


def _why(error: OSError) -> str:
    if error.errno == errno.EXDEV:
        return "a hard link cannot reach another disk; leave --hard out"
    if error.errno in (errno.EPERM, errno.ENOTSUP):
        return "this disk takes no such links; try the other kind (with or without --hard)"
    return error.strerror or "the link could not be made"
