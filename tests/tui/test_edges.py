"""The strips of stars say only of stars that they are stars."""

from dataclasses import replace
from pathlib import Path

import pytest

from runlog.actions.pictures import Picture, picture
from runlog.core.frame import StarList
from runlog.store.engine import open_engine, reading
from runlog.tui.edges import DIAGONALS, NAMES, ZONES, Edges

from .conftest import Running, press


@pytest.fixture
def seen(database: Path) -> Picture:
    """Some frame with its cut-outs, whose stars lie in the middle of all of them but one."""
    engine = open_engine(str(database))
    with reading(engine) as connection:
        key = connection.exec_driver_sql("SELECT frame_id FROM preview LIMIT 1").scalar_one()
    found = picture(engine, key)
    engine.dispose()
    assert found is not None
    half = found.cutouts[0].shape[0] / 2
    bottom_left = DIAGONALS[1][0]
    starry = [corner for at, corner in enumerate(found.corners) if at != bottom_left]
    x, y = (tuple(float(corner[axis]) + half for corner in starry) for axis in (0, 1))
    frame = found.sight.frame
    measured = replace(frame.measurement, star_list=StarList(x, y, (1.0,) * len(starry)))
    sight = replace(found.sight, frame=replace(frame, measurement=measured))
    return replace(found, sight=sight)


@pytest.mark.parametrize(("side", "name"), [(26, "bottom left no star"), (14, "no star")])
async def test_a_place_without_a_star_says_so(
    running: Running, seen: Picture, side: int, name: str
) -> None:
    """A hot pixel in an empty corner must not pass for a star that looks like one."""
    async with running((160, 48)) as pilot:
        await press(pilot, "3", "e")
        edges = pilot.app.screen.query_one(Edges)
        edges.show(seen)
        told = edges._labels(DIAGONALS[1], NAMES[1], ZONES[1], side)
        assert told.startswith(f"{name} ")
        assert told.count("no star") == 1
