"""Where a star of one frame lies in another that was laid on the same reference. Pure."""

from cmath import exp, phase
from dataclasses import dataclass
from math import pi, radians

from runlog.core.frame import Frame


@dataclass(frozen=True, slots=True)
class Laying:
    """Takes places of one frame to another: a turn about the middle of one, then to the other's."""

    turn: complex
    middle: complex  # of the first frame
    there: complex  # where the first frame's middle lies in the second

    def of(self, x: float, y: float) -> tuple[float, float]:
        """Give where a place of the first frame lies in the second, both in px."""
        z = (complex(x, y) - self.middle) * self.turn + self.there
        return z.real, z.imag

    @property
    def rotation_deg(self) -> float:
        """How far the second is turned against the first, -180 to 180."""
        return phase(self.turn) * 180 / pi


def laying(one: Frame, other: Frame) -> Laying | None:
    """Lay one frame on another by their stored places; None where these do not tell it.

    A frame that is the reference of the other lies where it lies; each other was laid on its
    reference by a turn about its own middle and a shift of that middle.
    """
    if (one.identity.width, one.identity.height) != (other.identity.width, other.identity.height):
        return None
    key = one.placement.matched_to or one.key
    if key != (other.placement.matched_to or other.key):
        return None
    middle = complex(one.identity.width - 1, one.identity.height - 1) / 2
    here, there = _placed(one, key), _placed(other, key)
    if here is None or there is None:
        return None
    turn = there[1] / here[1]
    return Laying(turn, middle, middle + there[0] - here[0] * turn)


def _placed(frame: Frame, reference: str) -> tuple[complex, complex] | None:
    """Give a frame's shift and turn on the reference; a frame that is one has neither."""
    place = frame.placement
    if frame.key == reference:
        return 0j, 1 + 0j
    if place.shift_x_px is None or place.shift_y_px is None:
        return None
    turn = exp(1j * radians(place.rotation_deg or 0.0))
    return complex(place.shift_x_px, place.shift_y_px), turn
