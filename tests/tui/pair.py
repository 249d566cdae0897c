"""A soft frame and its best, of the same stars: to be laid on one another."""

from typing import Any

import numpy as np
import pytest
from sqlalchemy import String, cast, select, update

from runlog.ingest.preview import make_preview
from runlog.store import models as m
from runlog.store.engine import open_engine, reading, writing
from runlog.store.previews import put_previews
from runlog.store.review import frame_sight

from .nights import HEIGHT, WIDTH

SHIFT = (14.0, -9.0)


@pytest.fixture
def shifted(database: Any) -> tuple[Any, int]:
    """A soft frame of the last night drawn wide, its best frame sharp and dithered."""
    random = np.random.default_rng(7)
    places = random.uniform((40, 40), (WIDTH - 40, HEIGHT - 40), (60, 2))
    engine = open_engine(str(database))
    f = m.frame.c
    with reading(engine) as connection:
        soft = connection.execute(
            select(f.id, f.target, f.filter).where(
                f.run_id == 3, cast(f.faults, String).contains("soft"), f.grade == "doubtful"
            )
        ).first()
        assert soft
        alike = select(f.id).where(f.run_id == 3, f.target == soft.target, f.filter == soft.filter)
        best = connection.execute(
            alike.where(f.grade == "keep").order_by(f.fwhm_px, f.id).limit(1)
        ).scalar_one()
    with writing(engine) as connection:
        for frame_id, shift in ((soft.id, (0.0, 0.0)), (best, SHIFT)):
            at = places + np.array(shift)
            triples = np.column_stack([at, np.linspace(9000, 3000, 60)]).astype("<f4")
            stars = m.star_list.c
            connection.execute(update(m.star_list).where(stars.frame_id == frame_id)
                               .values(stars=triples.tobytes()))  # fmt: skip
            place = {"matched_to": "0" * 8, "shift_x_px": shift[0], "shift_y_px": shift[1],
                     "rotation_deg": 0.0}  # fmt: skip
            connection.execute(update(m.frame).where(f.id == frame_id).values(**place))
        for frame_id, sigma, shift in ((soft.id, 2.2, (0.0, 0.0)), (best, 1.2, SHIFT)):
            connection.execute(m.preview.delete().where(m.preview.c.frame_id == frame_id))
            sight = frame_sight(connection, frame_id)
            assert sight
            image = drawn(places + np.array(shift), sigma, random)
            preview = make_preview(image, sight.frame.measurement.star_list)
            put_previews(connection, {frame_id: preview})
    engine.dispose()
    return database, soft.id


def drawn(places: Any, sigma: float, random: np.random.Generator) -> Any:
    """Stars of equal light on a sky with noise."""
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH]
    image = 900 + 10 * random.standard_normal((HEIGHT, WIDTH))
    for a, b in places:
        image += 40_000 / sigma**2 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 2 / sigma**2)
    return np.clip(image, 0, 65535).astype(np.uint16)
