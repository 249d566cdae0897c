"""Sidereal time at Greenwich, for single moments and for arrays of them."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    Days = TypeVar("Days", float, npt.NDArray[np.float64])
else:
    Days = TypeVar("Days")

J2000_UTC = datetime(2000, 1, 1, 12, tzinfo=UTC)


def days_since_j2000(moment: datetime) -> float:
    """Count days since 2000-01-01 12h UTC of an aware moment."""
    return (moment - J2000_UTC).total_seconds() / 86400


def greenwich_sidereal_deg(days: Days) -> Days:
    """Compute mean sidereal time at Greenwich in degrees, not reduced, for days since J2000 UTC.

    Meeus, Astronomical Algorithms, 12.4; UTC stands for UT1, which is within 0.004 degrees.
    """
    return 280.46061837 + 360.98564736629 * days
