"""The charts of a star: drawn from numbers, in letters, told apart without colour."""

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from runlog.actions.curves import StarCurves
from runlog.core.charts import star_charts
from runlog.core.times import Zone
from runlog.measure.profile import StarProfile
from runlog.tui.curves import BEST, Curves, best_words, draw, own_words
from runlog.tui.edges import Edges
from runlog.tui.look import DARK
from runlog.tui.picture_view import PictureView

from .conftest import Running, press


def profile(width: float) -> StarProfile:
    """A Gaussian of a given FWHM out to 10 px."""
    at = np.arange(0.25, 10, 0.5)
    fall = np.exp(-4 * np.log(2) * (at / width) ** 2)
    circle = np.arange(0.5, 10.5, 0.5)
    return StarProfile(
        at, fall / fall[0], circle, 1 - np.exp(-4 * np.log(2) * (circle / width) ** 2)
    )


def text(rows: list[list[tuple[str, Any]]]) -> list[str]:
    return ["".join(letter for letter, _ in row) for row in rows]


def column(rows: list[str], sign: str, x: int) -> int | None:
    """First line in which a sign stands at a column."""
    return next((y for y, row in enumerate(rows) if row[x] == sign), None)


def test_the_curve_falls_where_the_numbers_fall() -> None:
    """At half the width from the middle the light is half: the middle line of the chart."""
    rows = text(draw(star_charts(profile(5.0), None)[0], (87, 23), DARK))
    assert len(rows) == 23
    assert all(len(row) == 87 for row in rows)
    plot = [row[6:] for row in rows[1:-1]]  # 21 lines, 80 columns of an eighth of a pixel
    at_half = [y for y, row in enumerate(plot) if row[round(2.5 * 8)] != " "]
    assert 10 in at_half
    assert plot[0][1] != " "
    assert plot[20][70] != " "
    assert rows[1].startswith("    1┤")
    assert rows[11].startswith("    ½┤")
    assert rows[21].startswith("    0┤")


def test_the_best_is_drawn_in_rings_below_this_one() -> None:
    """A sharper frame's curve falls earlier, in another letter: no colour is needed."""
    rows = text(draw(star_charts(profile(6.0), profile(3.0))[0], (87, 23), DARK))
    rings = [(x, y) for y, row in enumerate(rows) for x, sign in enumerate(row) if sign == BEST]
    middle = [x for x, y in rings if y == 11]
    assert middle
    assert middle[0] - 6 == pytest.approx(1.5 * 8, abs=2)


def test_no_gap_in_a_steep_curve() -> None:
    """Where a curve falls by lines from one column to the next, they are joined."""
    rows = text(draw(star_charts(profile(2.0), None)[0], (47, 43), DARK))
    plot = [row[6:] for row in rows[1:-1]]
    assert all(row.strip() for row in plot)


def test_distances_are_whole_and_inside() -> None:
    """The axis is marked from 0 on, in px, up to the reach."""
    axis = text(draw(star_charts(profile(5.0), None)[1], (87, 23), DARK))[-1]
    assert [int(word) for word in axis.replace("╵", " ").split()] == [0, 2, 4, 6, 8]


@pytest.mark.parametrize("size", [(10, 3), (4, 1), (200, 60)])
def test_any_size_is_drawn(size: tuple[int, int]) -> None:
    """A sliver of a terminal must not end the sitting."""
    rows = draw(star_charts(profile(5.0), profile(4.0))[0], size, DARK)
    assert all(len(row) >= size[0] for row in rows)


def curves(found: StarProfile | None, **more: Any) -> StarCurves:
    frame = SimpleNamespace(header=SimpleNamespace(taken_at_utc=None))
    seen = cast(Any, SimpleNamespace(sight=SimpleNamespace(frame=frame)))
    return StarCurves(seen, "centre", 120.0, 90.0, found, **more)


def test_words_say_what_the_numbers_rest_on() -> None:
    """Widths, place, and that a cut-out stood in for a file that is away."""
    words = own_words(curves(profile(4.0)))
    assert "rings 4.0 px at half height, half its light in 2.0 px; centre, x 120 y 90" in words
    assert "its file is not there" in words
    assert "not there" not in own_words(curves(profile(4.0), from_file=True))


def test_words_where_there_is_no_best() -> None:
    """Nothing to compare with, and a best frame without a star, are told."""
    assert "none to compare with" in best_words(None, Zone())
    assert best_words(curves(None, trouble="no star"), Zone()).endswith("no star")


async def test_c_shows_the_curves_and_b_the_pictures_again(running: Running) -> None:
    """The key measures, the charts take the picture's place, another key takes it back."""
    async with running((100, 30)) as pilot:
        await press(pilot, "3", "c")
        screen = pilot.app.screen
        shown = screen.query_one(Curves)
        assert shown.display
        assert not screen.query_one("#picture", PictureView).display
        assert shown.own is not None
        assert shown.own.profile is not None
        assert shown.best is not None
        assert any(BEST in row.text for row in shown._draw(DARK))
        first = shown.own.picture.sight.frame.identity.id
        await press(pilot, "space")
        assert shown.own is not None
        assert shown.own.picture.sight.frame.identity.id != first
        await press(pilot, "e")
        assert screen.query_one(Edges).display
        assert not shown.display
        await press(pilot, "c", "b")
        assert not shown.display
        assert screen.query_one("#picture", PictureView).display
        assert screen.query_one("#companion", PictureView).display


async def test_nothing_is_measured_before_it_is_asked(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Turning pages reads no file for curves that nobody looks at."""
    asked: list[object] = []
    monkeypatch.setattr("runlog.tui.with_picture.curves_beside_best", lambda *a: asked.append(a))
    async with running() as pilot:
        await press(pilot, "3", "space", "e", "e", "backspace")
        assert not asked
        await press(pilot, "c")
        assert len(asked) == 1
