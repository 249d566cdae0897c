"""Names of folders and files in a tree of links: safe on any disk, never the same twice."""

import hashlib
import os
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace

NO_NAME = "unnamed"
MOST_BYTES = 255  # of one name, on all common disks
FOLDER_BYTES = 100
_UNSAFE = re.compile(r'[<>:"/\\|?*]')
_FIRST = re.compile(r"^[-~]+")  # a command would take it for an option, a shell for a home
# Names that Windows keeps for devices, whatever follows a dot (from memory of its rules).
_DEVICE = re.compile(r"(con|prn|aux|nul|com[0-9]|lpt[0-9])(\.|$)", re.IGNORECASE)


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
    depth_share: float | None = None  # effective time over the best of its target and filter


def folder_name(text: str) -> str:
    """Make a name that any file system takes, and that is no way out of the tree.

    A name that had to be changed ends in a mark of its own, so that two never become one.
    """
    printable = "".join(c if c.isprintable() else "_" for c in text)
    plain = _FIRST.sub("_", _UNSAFE.sub("_", printable).strip(" ."))
    if _DEVICE.match(plain):
        plain = f"_{plain}"
    plain = _cut(plain.encode(), FOLDER_BYTES).decode().rstrip(" .")
    return plain if plain and plain == text else _marked(plain or NO_NAME, text)


def _marked(plain: str, text: str) -> str:
    return f"{plain}~{hashlib.sha256(text.encode('utf-8', 'surrogatepass')).hexdigest()[:6]}"


def _cut(name: bytes, most: int) -> bytes:
    """Cut a name to a number of bytes, not within a character."""
    if len(name) <= most:
        return name
    while most and name[most] & 0xC0 == 0x80:
        most -= 1
    return name[:most]


def places(keepers: Iterable[Keeper]) -> list[tuple[Keeper, tuple[bytes, ...]]]:
    """Give each frame its place: target, filter, night, file name.

    Two files of one name on one night get the start of their keys; order changes nothing. Names
    that differ by large and small letters are one name, as they are on some disks.
    """
    keepers = list(keepers)
    targets = _folders(k.target for k in keepers)
    filters = _folders(k.filter for k in keepers)
    names: dict[tuple[str, ...], list[tuple[Keeper, tuple[bytes, ...]]]] = {}
    for k in keepers:
        folders = (targets[k.target], filters[k.filter], k.night or "undated")
        name = k.path.rsplit(b"/", 1)[-1]
        place = (*map(str.encode, folders), name)
        names.setdefault((*folders, _alike(os.fsdecode(name))), []).append((k, place))
    placed = []
    for alike in names.values():
        for keeper, place in alike:
            own = place if len(alike) == 1 else (*place[:-1], _keyed(place[-1], keeper.key))
            placed.append((keeper, own))
    return sorted(placed, key=lambda p: p[1])


def _folders(texts: Iterable[str]) -> dict[str, str]:
    """Name a folder for each text, no two alike."""
    named = {text: folder_name(text) for text in texts}
    times = Counter(_alike(name) for name in named.values())
    return {
        text: name if times[_alike(name)] == 1 else _marked(name, text)
        for text, name in named.items()
    }


def _alike(name: str) -> str:
    """Write a name as a disk compares it that takes large and small letters for one."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def _keyed(name: bytes, key: str) -> bytes:
    stem, dot, ending = name.partition(b".")
    mark = b"_" + key[:8].encode()
    room = MOST_BYTES - len(mark + dot + ending)
    if room <= 0:  # the dot is no file type's
        return _cut(name, MOST_BYTES - len(mark)) + mark
    return _cut(stem, room) + mark + dot + ending


def weighted(keepers: Iterable[Keeper]) -> list[Keeper]:
    """Give each frame its depth_share: effective time over the most of its target and filter."""
    keepers = list(keepers)
    best: dict[tuple[str, str], float] = {}
    for k in keepers:
        if k.effective_s is not None:
            key = (k.target, k.filter)
            best[key] = max(best.get(key, 0.0), k.effective_s)
    return [
        k
        if k.effective_s is None or not best[(k.target, k.filter)]
        else replace(k, depth_share=k.effective_s / best[(k.target, k.filter)])
        for k in keepers
    ]
