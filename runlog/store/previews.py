"""Previews by frame: written once at scan time, read one by one when a person looks."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

from sqlalchemy import Connection, select

from runlog.core.pixels import Preview, SmallImage
from runlog.store import models as m
from runlog.store.engine import upsert

PARTS = ("image", "cutouts")


def put_previews(connection: Connection, previews: Mapping[int, Preview]) -> None:
    """Store the previews of some frames in place of older ones."""
    rows = [_row(frame_id, preview) for frame_id, preview in previews.items()]
    if rows:
        upsert(connection, m.preview, rows, by=("frame_id",))


def _row(frame_id: int, preview: Preview) -> dict[str, Any]:
    values: dict[str, Any] = {
        "frame_id": frame_id,
        "shrink": preview.shrink,
        "corners": [list(corner) for corner in preview.corners],
    }
    for part in PARTS:
        values |= {f"{part}_{k}": v for k, v in asdict(getattr(preview, part)).items()}
    return values


def get_preview(connection: Connection, frame_id: int) -> Preview | None:
    """Load a frame's preview; None when it was scanned before previews were made."""
    query = select(m.preview).where(m.preview.c.frame_id == frame_id)
    row = connection.execute(query).one_or_none()
    if row is None:
        return None
    return Preview(
        shrink=row.shrink,
        image=_small(row._mapping, "image"),
        cutouts=_small(row._mapping, "cutouts"),
        corners=tuple((x, y) for x, y in row.corners),
    )


def _small(row: Any, part: str) -> SmallImage:
    return SmallImage(*(row[f"{part}_{name}"] for name in SmallImage.__dataclass_fields__))
