"""Which other nights a run is held against, and what was usual in them."""

from cmath import phase, rect
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import takewhile
from statistics import median
from typing import NamedTuple

from runlog.core.grading.summary import Elongation, Group, RunSummary

LAST_NIGHTS = 8
ENOUGH_NIGHTS = 3  # with fewer before it, later ones are asked as well
DAYS_AFTER = 60
# A camera that was turned by more carries its optics' stretch another way over the sky
# (common practice, no source: plate solutions agree to a tenth of a degree).
TURNED_DEG = 2.0


NO_END = "9999-12-31"  # after every night there will be


class Dated(NamedTuple):
    """A run's summary with its night."""

    night: str  # ISO date of the evening
    summary: RunSummary


@dataclass(frozen=True, slots=True)
class Earlier:
    """What was usual in one filter and setting on the rig's nights before, or soon after."""

    nights: int
    fwhm_px: float  # at airmass 1
    fwhm_floor_px: float  # the narrowest a run's good quarter ever was
    later: int = 0  # of the nights, those that came after
    profile: float | None = None  # half-flux radius over FWHM
    elongations: Mapping[str, Sequence[Elongation]] = field(default_factory=dict)  # by side
    lights: Mapping[str, float] = field(default_factory=dict)  # share by field's reference
    # The same by the nights before alone, where later ones had to be asked; None without any.
    before: "Earlier | None" = None

    @property
    def earlier_alone(self) -> "Earlier | None":
        """What the nights before say; a frame may be rejected by these alone."""
        return self if not self.later else self.before

    @property
    def named(self) -> str:
        """Name the nights, to go before what was usual in them."""
        return named_nights(self.nights, self.later)

    def ellipticity(self, side: str, seen: complex, camera_deg: float | None) -> complex | None:
        """Give the rig's own ellipticity on one side of the pier.

        Where the camera was turned since, or only the other side is known, its size alone holds:
        then it is taken to lie the way that is seen.
        """
        own = self.elongations.get(side)
        if own and all(_same_way(e.camera_deg, camera_deg) for e in own):
            return _usual_ellipticity([e.ellipticity for e in own])
        known = own or [e for every in self.elongations.values() for e in every]
        if not known:
            return None
        size = _usual([abs(e.ellipticity) for e in known], min)
        return rect(min(size, abs(seen)), phase(seen))


History = Mapping[Group, Earlier]


def named_nights(nights: int, later: int) -> str:
    """Name nights, of which some are later ones, to go before what was usual in them."""
    if not later:
        return f"the last {nights} nights'" if nights > 1 else "the last night's"
    if later == nights:
        return f"the next {nights} nights'" if nights > 1 else "the next night's"
    return f"{nights} nights' ({later} of them later)"


def _same_way(one_deg: float | None, other_deg: float | None) -> bool:
    if one_deg is None or other_deg is None:
        return True
    apart = abs(one_deg - other_deg) % 180
    return min(apart, 180 - apart) <= TURNED_DEG


# --- the law of candidates --------------------------------------------------------------------


def candidates(known: Iterable[Dated], night: str, changes: Collection[str] = ()) -> list[Dated]:
    """Choose the nights that one is held against, of summaries of one rig and group.

    The last 8 before it; where these are fewer than 3, the nearest after it within 60 nights
    until there are 3. Never itself; none that does not speak; none from across a change: from
    the night of a change on the rig is another one.
    """
    first, end = epoch(night, changes)
    speaking = sorted(
        (d for d in known if d.summary.speaks and first <= d.night < end and d.night),
        key=lambda d: d.night,
    )
    before = [d for d in speaking if d.night < night][-LAST_NIGHTS:] if night else []
    wanted = ENOUGH_NIGHTS - len(before)
    if not night or wanted <= 0:
        return before
    last = last_after(night)
    after = takewhile(lambda d: d.night <= last, (d for d in speaking if d.night > night))
    return before + list(after)[:wanted]


def epoch(night: str, changes: Collection[str]) -> tuple[str, str]:
    """Give the first night of the rig as it was, and the first night after it was so."""
    since = max((n for n in changes if n <= night), default="")
    return since, min((n for n in changes if n > night), default=NO_END)


def last_after(night: str) -> str:
    """Give the last night after one that may speak of it."""
    return (date.fromisoformat(night) + timedelta(days=DAYS_AFTER)).isoformat()


def first_before(night: str) -> str:
    """Give the first night before one of which it may speak, as a later one."""
    return (date.fromisoformat(night) - timedelta(days=DAYS_AFTER)).isoformat()


# --- what was usual in them -------------------------------------------------------------------


def earlier_of(chosen: Sequence[Dated], night: str) -> Earlier | None:
    """Say what was usual in the nights chosen for one: the median, of two the better."""
    before = [d for d in chosen if d.night < night]
    everything = _earlier([d.summary for d in chosen], len(chosen) - len(before))
    if everything is None or not everything.later or not before:
        return everything
    alone = _earlier([d.summary for d in before], 0)
    return Earlier(
        everything.nights,
        everything.fwhm_px,
        everything.fwhm_floor_px,
        everything.later,
        everything.profile,
        everything.elongations,
        everything.lights,
        alone,
    )


def _earlier(chosen: Sequence[RunSummary], later: int) -> Earlier | None:
    widths = [s.fwhm_px for s in chosen if s.fwhm_px is not None]
    if not widths:
        return None
    profiles = [s.profile for s in chosen if s.profile is not None]
    elongations: dict[str, list[Elongation]] = {}
    lights: dict[str, list[float]] = {}
    for summary in chosen:
        for elongation in summary.elongations:
            elongations.setdefault(elongation.side, []).append(elongation)
        for light in summary.lights:
            lights.setdefault(light.reference, []).append(light.share)
    return Earlier(
        nights=len(chosen),
        fwhm_px=_usual(widths, min),
        fwhm_floor_px=min(widths),
        later=later,
        profile=_usual(profiles, max) if profiles else None,  # a flatter one is worse
        elongations={side: tuple(own) for side, own in elongations.items()},
        lights={reference: _usual(own, max) for reference, own in lights.items()},
    )


def _usual(values: Sequence[float], better: Callable[[Sequence[float]], float]) -> float:
    """Take the median; of two the better, because nothing tells which of them is usual."""
    return float(better(values) if len(values) == 2 else median(values))


def _usual_ellipticity(values: Sequence[complex]) -> complex:
    """Take the median of both components, of two the rounder."""
    if len(values) == 2:
        return min(values, key=lambda e: (abs(e), e.real, e.imag))
    return complex(median(e.real for e in values), median(e.imag for e in values))
