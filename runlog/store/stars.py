"""The stars of frames: float32 triples x, y, flux, in a table of their own."""

from array import array
from collections.abc import Sequence

from sqlalchemy import Connection, select

from runlog.core.frame import StarList
from runlog.store import models as m
from runlog.store.engine import upsert


def put_stars(connection: Connection, frame_id: int, stars: StarList) -> None:
    """Store a frame's stars in place of older ones."""
    packed = array("f")
    for triple in zip(stars.x, stars.y, stars.flux_adu, strict=True):
        packed.extend(triple)
    values = {"frame_id": frame_id, "stars": packed.tobytes()}
    upsert(connection, m.star_list, [values], by=("frame_id",))


def star_lists(connection: Connection, frame_ids: Sequence[int]) -> dict[int, StarList]:
    """Load stored stars of some frames."""
    s = m.star_list.c
    query = select(s.frame_id, s.stars).where(s.frame_id.in_(frame_ids))
    return {frame_id: unpack_stars(stars) for frame_id, stars in connection.execute(query)}


def unpack_stars(packed: bytes) -> StarList:
    """Undo the packing of float32 triples x, y, flux."""
    flat = array("f", packed)
    return StarList(tuple(flat[0::3]), tuple(flat[1::3]), tuple(flat[2::3]))
