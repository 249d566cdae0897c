"""Stars above the best frame's same stars: who opens on them, and that they are the same."""

from typing import Any

import numpy as np
import pytest
from sqlalchemy import String, cast, select, update
from textual.pilot import Pilot

from runlog.actions.pictures import picture
from runlog.actions.star_pairs import star_pairs
from runlog.ingest.preview import make_preview
from runlog.store import models as m
from runlog.store.engine import open_engine, reading, writing
from runlog.store.previews import put_previews
from runlog.store.review import frame_sight
from runlog.tui.stars import Stars, _dots

from .conftest import Running, press
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


def shown(pilot: Pilot[Any]) -> bool:
    """Whether stars stand in place of the picture."""
    stars = pilot.app.screen.query_one(Stars)
    assert stars.display != pilot.app.screen.view.display  # type: ignore[attr-defined]
    return bool(stars.display)


def test_both_rows_show_the_same_stars(shifted: tuple[Any, int]) -> None:
    """In each pair of squares the light of both stars stands in the middle."""
    path, frame_id = shifted
    engine = open_engine(str(path))
    seen = picture(engine, frame_id)
    assert seen
    found = star_pairs(engine, seen, files=False)
    assert not found.trouble and len(found.pairs) == 5
    for pair in found.pairs:
        assert pair.best_x is not None and pair.best_y is not None
        assert (pair.best_x - pair.x, pair.best_y - pair.y) == pytest.approx(SHIFT, abs=0.01)
        for cut, x, y in ((pair.own, pair.x, pair.y), (pair.best, pair.best_x, pair.best_y)):
            dots = _dots(cut, x, y, 24, found.reach_px)
            assert dots is not None
            light = np.nan_to_num(dots - np.nanmedian(dots)).clip(0)
            light[light < 0.3 * light.max()] = 0
            middle = [(light.sum(axis=a) * np.arange(24)).sum() / light.sum() for a in (0, 1)]
            assert middle == pytest.approx([11.5, 11.5], abs=2.0)


async def test_a_soft_frame_opens_on_stars_and_a_cloudy_one_whole(
    running: Running, shifted: tuple[Any, int]
) -> None:
    """What the doubt is about is in view; t turns to the whole frame; o draws the ellipse."""
    async with running(size=(120, 40), path=shifted[0]) as pilot:
        await press(pilot, "3")
        assert not shown(pilot)  # cloud
        screen: Any = pilot.app.screen
        at = next(i for i, c in enumerate(screen.cases) if c.head.identity.id == shifted[1])
        await press(pilot, *["space"] * at)
        assert shown(pilot)
        stars = screen.query_one(Stars)
        assert stars.found.best is not None and not stars.found.trouble
        plain = [row.text for row in stars._rows]
        assert "the same stars in the best" in "\n".join(plain)
        await press(pilot, "o")
        assert "∙" in "".join(row.text for row in stars._rows)
        await press(pilot, "t")
        assert not shown(pilot)


async def test_whole_frames_flick_star_on_star(running: Running, shifted: tuple[Any, int]) -> None:
    """z puts the best frame's stars where this frame's are; z again brings this one back."""
    async with running(size=(120, 40), path=shifted[0]) as pilot:
        await press(pilot, "3")
        screen: Any = pilot.app.screen
        at = next(i for i, c in enumerate(screen.cases) if c.head.identity.id == shifted[1])
        await press(pilot, *["space"] * at, "t")
        from runlog.tui import paint

        view = screen.view
        here = view._dots(view._window(), paint.sample).astype(float)
        await press(pilot, "z")
        there = view._dots(view._window(), paint.sample).astype(float)
        inside = (here < 255) & (there < 255)
        assert inside.mean() > 0.5
        assert np.corrcoef(here[inside], there[inside])[0, 1] > 0.7
        moved = np.roll(there, 4, axis=1)
        assert np.corrcoef(here[inside], moved[inside])[0, 1] < 0.4
        await press(pilot, "z")
        assert (view._dots(view._window(), paint.sample) == here).all()
