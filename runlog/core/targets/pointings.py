"""Where a target's frames point: how many places, and whether they are where the name says."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from runlog.core.targets.places import apart_deg

APART = 0.5  # of the field's shorter side: farther is another place
FEWEST = 2  # one stray frame is a wrong pointing, not a place


@dataclass(frozen=True, slots=True)
class Pointing:
    """Frames that point at about one place."""

    ra_deg: float
    dec_deg: float
    frames: int


def places_of(pointings: Iterable[Pointing], field_deg: float) -> list[Pointing]:
    """Gather pointings into places, the one with most frames first."""
    places: list[Pointing] = []
    ordered = sorted(pointings, key=lambda p: (-p.frames, p.ra_deg, p.dec_deg))
    for p in ordered:
        home = next(
            (i for i, q in enumerate(places) if distance_deg(p, q) <= APART * field_deg), None
        )
        if home is None:
            places.append(p)
        else:
            q = places[home]
            places[home] = Pointing(q.ra_deg, q.dec_deg, q.frames + p.frames)
    return [p for p in places if p.frames >= FEWEST] or places[:1]


def distance_deg(a: Pointing, b: Pointing) -> float:
    """Give the angle between two pointings."""
    return apart_deg(a.ra_deg, a.dec_deg, b.ra_deg, b.dec_deg)


def farthest_deg(places: Sequence[Pointing]) -> float:
    """Give how far the other places lie from the first."""
    return max((distance_deg(places[0], p) for p in places[1:]), default=0.0)
