"""Which numbers of a run are followed over months, and what would be worse."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class Worse(StrEnum):
    """Which way a number goes when things get worse."""

    UP = "up"
    DOWN = "down"
    NEITHER = "neither"  # that it moves at all is worth knowing


@dataclass(frozen=True, slots=True)
class SeriesKind:
    """One kind of series: its name in --what and JSON, its words, unit and digits."""

    name: str
    label: str
    unit: str
    worse: Worse
    digits: int
    season: bool = False  # the time of year moves it: air, temperature, length of the night


_KINDS = (
    SeriesKind("fwhm", "star width (FWHM, airmass 1)", "arcsec", Worse.UP, 2, season=True),
    SeriesKind("eccentricity", "eccentricity", "", Worse.UP, 3),
    SeriesKind("elongation", "common stretch of stars", "", Worse.UP, 3),
    SeriesKind("tilt", "tilt (width over the frame)", "", Worse.UP, 3),
    SeriesKind("curvature", "corners wider than centre", "", Worse.UP, 3),
    SeriesKind("sky", "dark sky, Moon down", "mag, relative", Worse.DOWN, 2, season=True),
    SeriesKind("noise", "noise beyond the sky's", "e", Worse.UP, 2, season=True),
    SeriesKind("read-noise", "noise of bias frames", "ADU", Worse.UP, 2),
    SeriesKind("hot-pixels", "hot pixels", "ppm", Worse.UP, 0),
    SeriesKind("dark-signal", "dark signal", "ADU/s", Worse.UP, 4),
    SeriesKind("bias-level", "level of bias frames", "ADU", Worse.NEITHER, 1),
    SeriesKind("overhead", "time between exposures", "s", Worse.UP, 1),
    SeriesKind("open-shutter", "shutter open, first to last", "share", Worse.DOWN, 3, season=True),
    SeriesKind("yield", "kept of logged time", "share", Worse.DOWN, 3, season=True),
)  # fmt: skip
KINDS: Mapping[str, SeriesKind] = {kind.name: kind for kind in _KINDS}
