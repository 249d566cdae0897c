"""Angles of fields laid on one another, of which half a turn is the mount's flip."""

from collections.abc import Sequence
from statistics import median


def half_turn_deg(angle_deg: float) -> float:
    """Take half turns out of an angle in degrees: -90 to 90."""
    return (angle_deg + 90.0) % 180.0 - 90.0


def usual_deg(angles_deg: Sequence[float]) -> float:
    """Give the usual one of some angles in degrees, half turns taken out against the first."""
    first = angles_deg[0]
    return first + median(half_turn_deg(angle - first) for angle in angles_deg)
