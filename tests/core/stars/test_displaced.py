"""Rows out of place: told by stars that are elsewhere, not by what is no star or was covered."""

import re

import numpy as np
import pytest

from runlog.core.frame import StarList
from runlog.core.stars.displaced import SMALLEST_SHIFT_PX, rows_out_of_place

WIDTH, HEIGHT = 1000, 800
BAND = (300.0, 420.0)


def field(count=160, seed=3):
    """Draw places of a field's stars."""
    random = np.random.default_rng(seed)
    return random.uniform(20, WIDTH - 20, count), random.uniform(20, HEIGHT - 20, count)


def in_band(y):
    return (y >= BAND[0]) & (y <= BAND[1])


def asked(x, y, met, unmet):
    """Ask of stars, with those that fell on the reference's and what of these none fell on."""
    stars = StarList(tuple(x), tuple(y), tuple(np.ones(len(x))))
    matched = {int(n) for n in np.flatnonzero(met)}
    return rows_out_of_place(stars, matched, np.ones(len(x), bool), np.array(unmet), WIDTH)


@pytest.mark.parametrize("seed", range(5))
def test_rows_that_slipped_by_no_common_way_are_out_of_place(seed):
    """Guards the finding: in a band the stars are elsewhere and the reference's are missed."""
    x, y = field(seed=seed)
    moved = in_band(y)
    new = np.where(moved, np.random.default_rng(seed).uniform(20, WIDTH - 20, len(x)), x)
    said = asked(new, y, ~moved, np.column_stack([x, y])[moved])
    found = re.fullmatch(r"rows (\d+) to (\d+) are out of place", said or "")
    first, last = float(found[1]), float(found[2])
    # It may end with a neighbour or two that met theirs, some 5 px apart.
    assert first == pytest.approx(y[moved].min(), abs=25)
    assert last == pytest.approx(y[moved].max(), abs=25)


def test_pieces_of_a_satellites_line_are_no_rows_out_of_place():
    """Guards frames of few stars: pieces of a line lie on no star, and no star is missed there."""
    x, y = field(60)
    line_x = np.linspace(30, WIDTH - 30, 40)
    line_y = np.linspace(*BAND, 40)
    clear = ~in_band(y)
    x, y = x[clear], y[clear]
    met = np.r_[np.ones(len(x), bool), np.zeros(40, bool)]
    assert asked(np.r_[x, line_x], np.r_[y, line_y], met, np.empty((0, 2))) is None


def test_rows_that_the_reference_does_not_show_are_not_out_of_place():
    """Guards clean frames laid on one that a roof covers: its rows hold no star to miss."""
    x, y = field()
    assert asked(x, y, ~(y > 520), np.empty((0, 2))) is None


def slipped(by_px, seed, met_between=0.0):
    """Move a band's stars along the rows, over the edge as well; some stay on the reference's."""
    x, y = field(seed=seed)
    moved = in_band(y) & (np.random.default_rng(seed).random(len(x)) >= met_between)
    new = np.where(moved, (x + by_px) % WIDTH, x)
    return asked(new, y, ~moved, np.column_stack([x, y])[moved]), y[moved]


@pytest.mark.parametrize("by_px", [25.0, -40.0, 400.0])
@pytest.mark.parametrize("seed", range(3))
def test_rows_displaced_by_one_way_are_told_with_how_far(by_px, seed):
    """Guards rows and pixels of a read-out that slipped, whose stars come in at the other side."""
    said, rows = slipped(by_px, seed)
    where = f"rows {rows.min():.0f} to {rows.max():.0f}"
    assert said == f"{where} are displaced by {abs(by_px):.0f} px along the rows"


def test_rows_in_which_most_stars_are_in_place_are_not_displaced():
    """Guards chance: a few stars that miss by one way, among many in their rows that do not."""
    assert slipped(25.0, 1, met_between=0.6)[0] is None


def test_a_slip_too_small_to_be_one_is_none():
    """Guards the scatter of positions: what is no step of columns is told as no displacement."""
    assert "displaced" not in (slipped(SMALLEST_SHIFT_PX - 0.5, 1)[0] or "")
    assert "displaced" in slipped(SMALLEST_SHIFT_PX + 0.5, 1)[0]
