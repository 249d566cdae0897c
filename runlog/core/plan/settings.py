"""What a person says of the site's horizon and of how nights are planned."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from runlog.core.sky.earth import Floats

WIDEST_GAP_DEG = 90.0  # between points of a horizon: over more nothing is known of it
LOWEST_DEG = 30.0  # common practice, no source: below it the light takes two airmasses and more
SEASON_HOURS = 1.0
Point = tuple[float, float]


@dataclass(frozen=True, slots=True)
class PlanSettings:
    """Limits of the sky a rig may use, and how a night is laid out."""

    horizon: tuple[Point, ...] = ()  # azimuth from north over east, altitude; degrees
    lowest_deg: float = LOWEST_DEG
    dark_sky_mag: float | None = None  # V, per square arc second at the zenith, no Moon
    twilight_deg: float = -18.0  # of the Sun, for narrow bands; all else waits for -18
    before_meridian_min: float | None = None  # None: as seen in the log
    after_meridian_min: float | None = None
    season_hours: float = SEASON_HOURS

    def limit_deg(self, azimuth_deg: "Floats") -> "Floats":
        """Give the least usable altitude at azimuths of any shape, in degrees."""
        import numpy as np  # a config is read by commands that reckon nothing

        if not self.horizon:
            return np.full(np.shape(azimuth_deg), self.lowest_deg)
        azimuths, altitudes = zip(*self.horizon, strict=True)
        edge = np.interp(azimuth_deg, azimuths, altitudes, period=360.0)
        return np.asarray(np.maximum(edge, self.lowest_deg))


DEFAULT = PlanSettings()


@dataclass(frozen=True, slots=True)
class HorizonFault:
    """Why a list of points is no horizon, and what would make it one."""

    what: str
    cure: str = field(default="")


def horizon_fault(points: Sequence[Point]) -> HorizonFault | None:
    """Find what keeps points of azimuth and altitude from being a horizon; None if nothing does."""
    if len(points) < 2:
        return HorizonFault("a horizon takes two points at least", "As in [[0, 20], [180, 35]]")
    for azimuth, altitude in points:
        if not 0 <= azimuth < 360 or not -5 <= altitude < 90:
            return HorizonFault(
                f"horizon point [{azimuth:g}, {altitude:g}] is out of range",
                "Azimuth 0 (north) up to but not including 360, altitude -5 up to 90",
            )
    return _order_fault(points) or _gap_fault(points)


def _order_fault(points: Sequence[Point]) -> HorizonFault | None:
    for (a, _), (b, _) in pairwise(points):
        if a == b:
            return HorizonFault(
                f"the horizon has azimuth {a:g} twice",
                f"A wall's edge is two points beside each other: {a:g} and {a + 0.1:g}",
            )
        if a > b:
            ordered = ", ".join(f"[{x:g}, {y:g}]" for x, y in sorted(points))
            return HorizonFault(
                f"the horizon's azimuths do not rise: {b:g} comes after {a:g}",
                f"In order: [{ordered}]",
            )
    return None


def _gap_fault(points: Sequence[Point]) -> HorizonFault | None:
    around = [*points, (points[0][0] + 360.0, points[0][1])]
    for (a, _), (b, _) in pairwise(around):
        if b - a > WIDEST_GAP_DEG:
            return HorizonFault(
                f"the horizon has a hole: nothing is said between azimuth {a:g} and {b % 360:g}",
                f"Give points at most {WIDEST_GAP_DEG:g} degrees apart, all around",
            )
    return None
