"""Whether a night was guided, by how its field drifted; and what an unguided drift tells.

A mount that nothing guides turns about its own axis: stars drift in declination as the axis's error
and refraction have it, by arc minutes an hour. Guiding takes that out. So the drift that the turn
of the field foretells is there, or it is not; what is neither is flexure or a slip, and not used.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from runlog.core.alignment.axis import ARCSEC, Axis, Floats, Turns, f_point, fit_axis
from runlog.core.alignment.geometry import ARCMIN, SIDEREAL_DEG_H, field_turn, mount_dec
from runlog.core.alignment.noise import Ints, Normal, normals, solved
from runlog.core.alignment.places import Places

FLOOR_ARCMIN = 0.5  # flexure of good mounts (common practice, no source)
# What bends between a guide telescope and the camera lets a guided field creep by arc seconds an
# hour, seldom by ten, and never by a minute of arc (common practice, no source).
STILL_ARCSEC_H = 10.0
FAST_ARCSEC_H = 60.0
GUIDE_STAR_RAD = 0.0175  # a guided field turns about its guide star, a degree off at most
RARE = 0.001
SURE_ERRORS = 2.0
SLOWEST = 0.5  # of what the axis foretells, for guiding to have held the field

HIDDEN = "what the field drifted, beside its dithers, fits a guided mount and one that is not"


@dataclass(frozen=True, slots=True)
class Drift:
    """What the field's drift says."""

    guided: bool | None = None
    dec_arcsec_h: float | None = None  # of stars, north positive, on average
    arcsec_h: float | None = None  # whichever way, at most
    axis: Axis | None = None  # with what the drift tells of it, or leaves open; None: of nothing
    reason: str | None = None  # why it is unknown whether it was guided
    hidden_arcsec_h: float | None = None  # what dithers may hide, where that is too much

    @property
    def used(self) -> bool:
        """Tell whether the axis rests on the drift as well."""
        return self.guided is False and self.axis is not None


def drift_of(turns: Turns, axis: Axis, places: Places) -> Drift:
    """Judge the drift of the frames that told an axis, on the sky."""
    quiet, foretold = _quiet(turns), _foretold(turns, axis.outline)
    courses = _courses(places, quiet)
    if courses is None:
        return Drift(reason=HIDDEN)
    joined, agrees = _joined(turns, places, axis)
    fast = courses.moves and courses.fastest > FAST_ARCSEC_H
    told = Drift(None, courses.north_h, courses.fastest)
    if agrees and joined and (courses.north_moves or fast):
        return replace(told, guided=False, axis=joined)
    if fast:
        return replace(told, guided=False)
    # Whether the mount was moved, or something bent: the one turns the field and the other not.
    east = courses.bends[0].values
    told = replace(told, axis=_leaning(turns, axis, np.outer(east, east), courses.middle_h))
    held = courses.slow_at_most < max(quiet, SLOWEST * foretold)
    if not agrees and (held or not courses.moves):
        return replace(told, guided=True)
    return replace(told, reason=_creeps(courses) if courses.moves and not agrees else HIDDEN)


def drift_in_pixels(turns: Turns, axis: Axis, places: Places) -> Drift:
    """Judge it where the camera's angle is not known: which way the field drifted is not, then.

    Its drift in right ascension turns the field as well: what was seen of it is let into the axis.
    """
    foretold = _foretold(turns, np.concatenate([axis.outline, -axis.outline]))
    courses = _courses(places, _quiet(turns))
    if courses is None:
        return Drift(reason=HIDDEN)
    told = Drift(None, None, courses.fastest)
    if courses.moves and courses.fastest > FAST_ARCSEC_H:
        return replace(told, guided=False)
    if not courses.moves and courses.slow_at_most > FAST_ARCSEC_H:
        return replace(told, hidden_arcsec_h=courses.slow_at_most)
    seen = np.zeros((2, 2))  # on average over all ways it may have gone
    seen[0, 0] = sum(own.values[0] ** 2 for own in courses.bends) / 2
    told = replace(told, axis=_leaning(turns, axis, seen, courses.middle_h))
    held = courses.slow_at_most < max(_quiet(turns), SLOWEST * foretold)
    if held and foretold > 2 * courses.slow_at_most:
        return replace(told, guided=True)
    return replace(told, reason=HIDDEN)


def _leaning(turns: Turns, axis: Axis, squares: Floats, middle_h: float) -> Axis:
    """Widen an axis by what a drift in right ascension would turn the field.

    `squares` (2, 2) are those expected of its arc seconds an hour and an hour squared, counted
    from `middle_h`.
    """
    hours = turns.hour_deg / SIDEREAL_DEG_H - middle_h
    moved = []
    for course in (hours, hours**2):
        lean = ARCSEC * course * np.tan(np.radians(turns.dec_deg))
        other = fit_axis(replace(turns, turn=turns.turn + lean))
        if other is None:
            return axis
        moved.append([other.up - axis.up, other.east - axis.east])
    slopes = np.array(moved).T
    return replace(axis, covariance=axis.covariance + slopes @ squares @ slopes.T)


def _creeps(courses: "_Courses") -> str:
    return (
        f"the field creeps by {courses.fastest:.0f}\" an hour, which is neither a guided mount's "
        "nor an unguided one's whose axis turns the field so"
    )


# --- how fast it went -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Courses:
    """How the field drifted, arc seconds an hour."""

    north_h: float
    fastest: float  # at any time
    slow_at_most: float  # on average, with its error
    moves: bool  # surely
    north_moves: bool
    middle_h: float  # hour angle
    bends: tuple["_Bent", "_Bent"]  # east and north


def _courses(places: Places, quiet: float) -> _Courses | None:
    middle_h = float(places.hours.mean())
    told = places.courses()
    east = _sharpest(_bent(own.hours - middle_h, own.east, own.group) for own in told)
    north = _sharpest(_bent(own.hours - middle_h, own.north, own.group) for own in told)
    if east is None or north is None:
        return None
    both = east, north
    ends = places.hours.min() - middle_h, places.hours.max() - middle_h
    when = np.linspace(*ends, 9) if east.sure or north.sure else np.zeros(1)
    rates = np.array([bend.values[0] + 2 * bend.values[1] * when for bend in both])
    fastest = float(np.hypot(*rates).max())
    at_most = [abs(bend.values[0]) + SURE_ERRORS * bend.covariance[0, 0] ** 0.5 for bend in both]
    return _Courses(
        float(north.values[0]),
        fastest,
        float(np.hypot(*at_most)),
        (east.sure or north.sure) and fastest > quiet,
        north.sure and float(np.abs(rates[1]).max()) > quiet,
        middle_h,
        both,
    )


def _sharpest(ways: Iterable["_Bent | None"]) -> "_Bent | None":
    told = [way for way in ways if way is not None]
    return min(told, key=lambda way: way.covariance[0, 0], default=None)


@dataclass(frozen=True, slots=True)
class _Bent:
    values: Floats  # arcsec an hour in the middle, and an hour squared
    covariance: Floats
    sure: bool


def _bent(t: Floats, values: Floats, group: Ints) -> _Bent | None:
    """Fit a course that bends; tell whether it is surely none that stands still (F test)."""
    found, freedom = normals(np.stack([t, t**2], axis=1), values, group)
    course = solved(found)
    if course is None:
        return None
    off = course.values @ np.linalg.solve(course.covariance, course.values) / 2
    return _Bent(course.values, course.covariance, bool(off > f_point(freedom, RARE)))


# --- what the axis foretells ------------------------------------------------------------------


def _turn_rate(turns: Turns) -> float:
    """Give how fast the field turned at most, arcsec an hour."""
    return max(
        float(np.ptp(turns.turn[own])) / ARCSEC / max(_hours(turns, own), 0.1)
        for own in _groups(turns)
    )


def _groups(turns: Turns) -> list[Ints]:
    return [np.flatnonzero(turns.group == group) for group in np.unique(turns.group)]


def _hours(turns: Turns, own: Ints) -> float:
    return float(np.ptp(turns.hour_deg[own])) / SIDEREAL_DEG_H


def _quiet(turns: Turns) -> float:
    """Give how fast a guided field may creep, arcsec an hour."""
    return STILL_ARCSEC_H + GUIDE_STAR_RAD * _turn_rate(turns)


def _foretold(turns: Turns, outline: Floats) -> float:
    """Give the least of the fastest drifts in declination that axes allow, arcsec an hour."""
    return min(_fastest(turns, *(ARCMIN * place).tolist()) for place in outline[::3])


def _fastest(turns: Turns, up: float, east: float) -> float:
    dec = mount_dec(turns.hour_deg, turns.dec_deg, turns.latitude_deg, up, east) / ARCSEC
    return max(
        float(np.ptp(dec[own])) / _hours(turns, own) if _hours(turns, own) > 0 else 0.0
        for own in _groups(turns)
    )


def _joined(turns: Turns, places: Places, axis: Axis) -> tuple[Axis | None, bool]:
    """Fit the axis to turn and drift; tell whether these agree, but for flexure."""
    at = axis.up * ARCMIN, axis.east * ARCMIN
    where = turns.hour_deg, turns.dec_deg, turns.latitude_deg
    foretold = mount_dec(*where, *at)
    slopes = np.stack(
        [(mount_dec(*where, at[0] + step, at[1] + side) - foretold) / ARCSEC
         for step, side in ((ARCMIN, 0.0), (0.0, ARCMIN))], axis=1,
    )  # fmt: skip
    turn = field_turn(*where, *at)
    seen = places.north * np.cos(turn) - places.east * np.sin(turn)
    found, freedom = normals(slopes, seen - foretold / ARCSEC, places.stay)
    if not found:
        return None, True
    precision = np.asarray(np.linalg.inv(axis.covariance), dtype=np.float64)
    both = solved(found, precision, np.zeros(2))
    allowed = axis.covariance + (FLOOR_ARCMIN / 2) ** 2 * np.eye(2)
    agrees = _chance(found, allowed, min(freedom, axis.freedom)) > RARE
    if both is None:
        return None, agrees
    up, east = (both.values + np.array([axis.up, axis.east])).tolist()
    joined = replace(
        axis, up=up, east=east, covariance=both.covariance, freedom=min(axis.freedom, freedom)
    )
    return joined, agrees


def _chance(found: Sequence[Normal], allowed: Floats, freedom: int) -> float:
    """Give how likely a drift so far from the one foretold is, over all mixtures (F test)."""
    total = 0.0
    for one in found:
        spread = one.matrix + one.matrix @ allowed @ one.matrix
        squares = float(one.right @ np.linalg.pinv(spread, hermitian=True) @ one.right)
        total += one.weight * (1 + squares / freedom) ** (-freedom / 2)
    return total
