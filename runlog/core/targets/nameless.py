"""Frames without a name, gathered by where they point: dithers stay together in any order."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from runlog.core.targets.names import PART_OF_FIELD, USUAL_FIELD_DEG, TargetNames
from runlog.core.targets.places import apart_deg, place_name

CELLS_A_LINK = 8  # how finely pointings are told apart before they are linked


@dataclass(frozen=True, slots=True)
class Nameless:
    """A frame whose header names no target, and where it points."""

    id: int
    first: tuple[str, str]  # its start and content key: the least was first
    ra_deg: float
    dec_deg: float
    field_deg: float = USUAL_FIELD_DEG  # the frame's shorter side

    @property
    def link_deg(self) -> float:
        """How far a frame of the same target may point from this one."""
        return self.field_deg * PART_OF_FIELD


Group = Sequence[Nameless]


def gathered(frames: Iterable[Nameless]) -> list[Group]:
    """Gather frames into groups, each frame near enough to some other one of its group.

    Such groups (single linkage) do not hang on the order frames come in, and no border runs through
    a night's dithers, wherever its first frame pointed.
    """
    cells = _cells(frames)
    spots = sorted((group[0] for group in cells), key=lambda f: (f.dec_deg, f.ra_deg, f.first))
    home = _linked(spots)
    groups: dict[int, list[Nameless]] = {}
    for group in cells:
        groups.setdefault(home[group[0].id], []).extend(group)
    return sorted((_ordered(group) for group in groups.values()), key=lambda g: g[0].first)


def _ordered(frames: Iterable[Nameless]) -> list[Nameless]:
    return sorted(frames, key=lambda f: f.first)


def _cells(frames: Iterable[Nameless]) -> list[list[Nameless]]:
    """Put frames that point at as good as the same place together: there are few such places."""
    cells: dict[tuple[float, int, int], list[Nameless]] = {}
    for f in _ordered(frames):
        step = f.link_deg / CELLS_A_LINK
        key = (f.field_deg, round(f.ra_deg / step), round(f.dec_deg / step))
        cells.setdefault(key, []).append(f)
    return list(cells.values())


def _linked(spots: Sequence[Nameless]) -> dict[int, int]:
    """Give each spot, sorted by declination, the spot that stands for its group."""
    parent = {spot.id: spot.id for spot in spots}

    def root(one: int) -> int:
        while parent[one] != one:
            parent[one] = one = parent[parent[one]]
        return one

    for number, a in enumerate(spots):
        for b in spots[number + 1 :]:
            if b.dec_deg - a.dec_deg > a.link_deg:
                break
            near_deg = min(a.link_deg, b.link_deg)
            if apart_deg(a.ra_deg, a.dec_deg, b.ra_deg, b.dec_deg) <= near_deg:
                parent[root(b.id)] = root(a.id)
    return {one: root(one) for one in parent}


def name_of(group: Group, names: TargetNames, spoken: frozenset[str]) -> str:
    """Name a group: as a person spoke of it, by a known object near a middle, or by its place.

    The first frame by date names the place, so that nights to come do not change it.
    """
    places = [place_name(f.ra_deg, f.dec_deg) for f in group]
    for place in places:
        if place in spoken:
            return place
    spots = [cell[0] for cell in _cells(group)]
    found = [names.at(f.ra_deg, f.dec_deg, f.field_deg).name for f in spots]
    own = [place_name(f.ra_deg, f.dec_deg) for f in spots]
    known = (name for name, place in zip(found, own, strict=True) if name != place)
    return next(known, places[0])
