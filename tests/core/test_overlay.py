"""One frame laid on another by what is stored of both."""

from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from runlog.core.frame import Frame
from runlog.core.overlay import laying

from .runs import blank

START = datetime(2026, 10, 16, 20, tzinfo=UTC)
SIZE = (900, 600)
REFERENCE = "reference"


def frame(key: str, shift: tuple[float, float] | None, turn_deg: float = 0.0) -> Frame:
    """A frame laid on the reference, or the reference itself."""
    made = blank(key, START, 300.0, "M 31", "L")
    identity = replace(made.identity, content_key=key, width=SIZE[0], height=SIZE[1])
    place = made.placement
    if shift is not None:
        place = replace(place, matched_to=REFERENCE, shift_x_px=shift[0], shift_y_px=shift[1],
                        rotation_deg=turn_deg)  # fmt: skip
    return replace(made, identity=identity, placement=place)


def put(star: np.ndarray, shift: tuple[float, float], turn_deg: float) -> np.ndarray:
    """Where a star of the reference is in a frame, by the definition: numpy's rotation matrix."""
    turn = np.radians(turn_deg)
    middle = (np.array(SIZE) - 1) / 2
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    return matrix @ (star - middle) + middle + np.array(shift)  # type: ignore[no-any-return]


@pytest.mark.parametrize("turn", [0.0, 0.4, 180.0, -179.6])
def test_a_star_is_found_in_the_other_frame(turn: float) -> None:
    """Dithered, slightly turned, and on the other side of the pier."""
    one, other = frame("a", (12.5, -7.0), 0.2), frame("b", (-3.0, 21.0), turn)
    way, back = laying(one, other), laying(other, one)
    assert way and back
    for star in np.array([[10.0, 20.0], [450.0, 300.0], [880.0, 590.0]]):
        here, there = put(star, (12.5, -7.0), 0.2), put(star, (-3.0, 21.0), turn)
        assert way.of(*here) == pytest.approx(tuple(there), abs=1e-6)
        assert back.of(*there) == pytest.approx(tuple(here), abs=1e-6)


def test_the_reference_lies_where_it_lies() -> None:
    """A frame beside the very one it was laid on."""
    way = laying(frame("a", (5.0, 6.0)), frame(REFERENCE, None))
    assert way
    assert way.of(105.0, 106.0) == pytest.approx((100.0, 100.0))


def test_frames_that_cannot_be_laid_are_not() -> None:
    """Other references, no match, and other sizes lay nothing."""
    one = frame("a", (5.0, 6.0))
    unmatched = replace(one, placement=replace(one.placement, shift_x_px=None))
    elsewhere = replace(one, placement=replace(one.placement, matched_to="another"))
    binned = replace(one, identity=replace(one.identity, width=450))
    for other in (unmatched, elsewhere, binned):
        assert laying(one, other) is None
