"""The stars of frames: float32 triples x, y, flux, in a table of their own."""

from array import array
from collections.abc import Mapping, Sequence

from sqlalchemy import Connection, select

from runlog.core.frame import StarList
from runlog.store import models as m
from runlog.store.engine import upsert


def put_stars(connection: Connection, lists: Mapping[int, StarList]) -> None:
    """Store the stars of some frames in place of older ones."""
    rows = [{"frame_id": i, "stars": _packed(stars)} for i, stars in lists.items()]
    if rows:
        upsert(connection, m.star_list, rows, by=("frame_id",))


def _packed(stars: StarList) -> bytes:
    flat = array("f", bytes(12 * len(stars.x)))
    flat[0::3], flat[1::3] = array("f", stars.x), array("f", stars.y)
    flat[2::3] = array("f", stars.flux_adu)
    return flat.tobytes()


def star_lists(connection: Connection, frame_ids: Sequence[int]) -> dict[int, StarList]:
    """Load stored stars of some frames."""
    s = m.star_list.c
    query = select(s.frame_id, s.stars).where(s.frame_id.in_(frame_ids))
    return {frame_id: unpack_stars(stars) for frame_id, stars in connection.execute(query)}


def unpack_stars(packed: bytes) -> StarList:
    """Undo the packing of float32 triples x, y, flux."""
    flat = array("f", packed)
    return StarList(tuple(flat[0::3]), tuple(flat[1::3]), tuple(flat[2::3]))
