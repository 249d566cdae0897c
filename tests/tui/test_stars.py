"""Stars above the best frame's same stars: who opens on them, and that they are the same."""

from typing import Any

import numpy as np
import pytest
from sqlalchemy import delete
from textual.pilot import Pilot

from runlog.actions.pictures import picture
from runlog.actions.star_pairs import star_pairs
from runlog.store import models as m
from runlog.store.engine import open_engine, writing
from runlog.tui.paint import sample
from runlog.tui.stars import Stars, _dots

from .conftest import Running, press
from .pair import SHIFT


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
            dots = _dots(cut, x, y, 24, found.reach_px, sample)
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


async def test_where_no_pixels_can_be_had_it_says_so(
    running: Running, shifted: tuple[Any, int]
) -> None:
    """Without a stored picture and without a file stars are told to be out of reach, not black."""
    engine = open_engine(str(shifted[0]))
    with writing(engine) as connection:
        connection.execute(delete(m.preview))
    engine.dispose()
    async with running(size=(120, 40), path=shifted[0]) as pilot:
        await press(pilot, "3")
        screen: Any = pilot.app.screen
        at = next(i for i, c in enumerate(screen.cases) if c.head.identity.id == shifted[1])
        await press(pilot, *["space"] * at)
        assert shown(pilot)
        rows = [row.text.strip() for row in screen.query_one(Stars)._rows]
        assert [words.split(".fits ")[1] for words in rows if words] == [
            "is not there: moved, or its disk is unplugged"
        ]


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
