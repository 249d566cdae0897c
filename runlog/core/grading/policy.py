"""Limits that frames are graded by: what a setting is, and those that a person chose."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any, Generic, TypeVar

from runlog.core.frame import Grade

# Magnitudes lost per airmass under a clear sky, by filter (common practice, no source; a dry
# mountain loses less in blue, a hazy lowland more).
_COLOUR_MAG = {"B": 0.25, "G": 0.17, "R": 0.12, "L": 0.18, "Ha": 0.11, "SII": 0.10, "OIII": 0.18}
# Photometric bands, the usual ones of an observatory on a mountain of 2 km, from memory: Sloan's as
# in Smith et al. 2002, AJ 123, 2121 and Hogg et al. 2001, AJ 122, 2129; Johnson's and Cousins' as
# in Landolt 1992, AJ 104, 340 and Patat et al. 2011, A&A 527, A91.
_SLOAN_MAG = {"u'": 0.55, "g'": 0.18, "r'": 0.11, "i'": 0.07, "z'": 0.06}
_JOHNSON_MAG = {"U": 0.50, "Johnson B": 0.26, "V": 0.15, "Rc": 0.11, "Ic": 0.07}
EXTINCTION_MAG = _COLOUR_MAG | _SLOAN_MAG | _JOHNSON_MAG
DEFAULT_EXTINCTION_MAG = 0.17


T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Limit:
    """Where a value makes a frame doubtful, and where it makes it a reject."""

    doubtful: float
    reject: float


class Sense(Enum):
    """On which side of a limit a value is bad."""

    ABOVE = "above"
    BELOW = "below"


@dataclass(frozen=True, slots=True)
class Setting(Generic[T]):
    """A number that grading asks for: its name in the config file, and why the default is so.

    Ratios are to what is usual for the run, unless the reason says otherwise.
    """

    name: str
    default: T
    why: str
    bad: Sense = Sense.ABOVE

    def in_order(self, limit: Limit) -> bool:
        """Tell whether a frame is doubtful before it is a reject, as it gets worse."""
        return self._past(limit.reject, limit.doubtful)

    def grade(self, value: float, limit: Limit) -> Grade:
        """Grade a value by a limit of this setting's sense; the limit itself is past it."""
        if not self._past(value, limit.doubtful):
            return Grade.KEEP
        return Grade.REJECT if self._past(value, limit.reject) else Grade.DOUBTFUL

    def _past(self, value: float, limit: float) -> bool:
        return value >= limit if self.bad is Sense.ABOVE else value <= limit


@dataclass(frozen=True, slots=True)
class Policy:
    """The limits in force: settings by name that differ from their defaults, and more by filter."""

    own: Mapping[str, Any] = field(default_factory=dict)
    by_filter: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)

    def __getitem__(self, setting: Setting[T]) -> T:
        """Give the value in force for a setting."""
        value: T = self.own.get(setting.name, setting.default)
        return value

    def for_filter(self, name: str) -> "Policy":
        """Give the limits that hold for one filter."""
        own = self.by_filter.get(name) or self.by_filter.get(name.split(" ")[0])
        return Policy({**self.own, **own}) if own else self


def extinction_mag(filter_name: str) -> float:
    """Magnitudes a clear sky takes per airmass in a filter; bandwidths share their line's."""
    own = EXTINCTION_MAG.get(filter_name)
    return own or EXTINCTION_MAG.get(filter_name.split(" ")[0], DEFAULT_EXTINCTION_MAG)
