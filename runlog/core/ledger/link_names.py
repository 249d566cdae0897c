"""Names of folders and files in a tree of links: safe on any disk, never the same twice."""

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

NO_NAME = "unnamed"
_UNSAFE = re.compile(r'[\x00-\x1f\x7f<>:"/\\|?*]+')


@dataclass(frozen=True, slots=True)
class Keeper:
    """A kept frame to hand over."""

    key: str  # content key
    path: bytes
    target: str
    filter: str
    night: str
    exposure_s: float | None
    effective_s: float | None
    weight: float | None = None  # effective time over the best of its target and filter


def folder_name(text: str) -> str:
    """Make a name that any file system takes, and that is no way out of the tree."""
    plain = _UNSAFE.sub("_", text).strip(" .")
    return plain[:100] or NO_NAME


def places(keepers: Iterable[Keeper]) -> list[tuple[Keeper, tuple[bytes, ...]]]:
    """Give each frame its place: target, filter, night, file name.

    Two files of one name on one night get the start of their keys; order changes nothing.
    """
    keepers = list(keepers)
    names: dict[tuple[bytes, ...], list[Keeper]] = {}
    for keeper in keepers:
        names.setdefault(_place(keeper), []).append(keeper)
    placed = []
    for place, alike in names.items():
        for keeper in alike:
            own = place if len(alike) == 1 else (*place[:-1], _keyed(place[-1], keeper.key))
            placed.append((keeper, own))
    return sorted(placed, key=lambda p: p[1])


def _place(keeper: Keeper) -> tuple[bytes, ...]:
    folders = (keeper.target, keeper.filter, keeper.night or "undated")
    name = keeper.path.rsplit(b"/", 1)[-1]
    return (*(folder_name(folder).encode() for folder in folders), name)


def _keyed(name: bytes, key: str) -> bytes:
    stem, dot, ending = name.partition(b".")
    return stem + b"_" + key[:8].encode() + dot + ending


def weighted(keepers: Iterable[Keeper]) -> list[Keeper]:
    """Give each frame its weight: effective time over the most of its target and filter."""
    keepers = list(keepers)
    best: dict[tuple[str, str], float] = {}
    for k in keepers:
        if k.effective_s is not None:
            key = (k.target, k.filter)
            best[key] = max(best.get(key, 0.0), k.effective_s)
    return [
        k
        if k.effective_s is None or not best[(k.target, k.filter)]
        else replace(k, weight=k.effective_s / best[(k.target, k.filter)])
        for k in keepers
    ]
