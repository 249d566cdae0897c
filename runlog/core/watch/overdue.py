"""A frame that does not come: the rig stopped."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from runlog.core.frame import Frame, Kind
from runlog.core.sky.sidereal import days_since_j2000, greenwich_sidereal_deg
from runlog.core.watch.alarms import Alarm, Alarms, Step, What
from runlog.core.watch.pace import Pace, due_utc

OVERDUE = "overdue"
AGAIN = timedelta(minutes=30)
SIDEREAL_DEG_S = 360.98564736629 / 86400
# A plan reckons with the usual overhead; a rig that is still at work so long after its end follows
# another plan (common practice, no source).
AFTER_PLAN = timedelta(minutes=30)
# A target that is near the meridian may be waited for, flipped, solved and focused on.
NEAR_MERIDIAN_S = 900.0


@dataclass(frozen=True, slots=True)
class Waits:
    """What the next frame may rightly wait for."""

    meridian_utc: datetime | None = None  # when the target passes it, next or just before
    flip_s: float = 180.0  # what a flip takes, learned or assumed
    focus_s: float = 300.0  # what a focus run takes, learned or assumed
    dark_until_utc: datetime | None = None  # no frame is expected that would end after it
    ends_utc: datetime | None = None  # by the plan, the last frame is done


def waits_of(
    last: Frame,
    place: tuple[float, float] | None,
    dark_until_utc: datetime | None = None,
    ends_utc: datetime | None = None,
) -> Waits:
    """Work out what may come between a frame and the next.

    `place` is latitude and longitude in degrees (east positive); without it, or without the
    target's coordinates, it is not known when the target passes the meridian.
    """
    at, ra_deg = last.header.taken_at_utc, last.header.ra_deg
    meridian = None
    if place is not None and at is not None and ra_deg is not None:
        sidereal = greenwich_sidereal_deg(days_since_j2000(at)) + place[1]
        hour_angle_deg = (sidereal - ra_deg + 180.0) % 360.0 - 180.0
        meridian = at - timedelta(seconds=hour_angle_deg / SIDEREAL_DEG_S)
    return Waits(meridian_utc=meridian, dark_until_utc=dark_until_utc, ends_utc=ends_utc)


def due_at(pace: Pace, waits: Waits) -> datetime | None:
    """Give when to say that the next frame is overdue; None where none is expected."""
    due = due_utc(pace)
    if due is None or pace.arrived_utc is None:
        return None
    due += timedelta(seconds=waits.focus_s)
    if _meridian_between(pace.arrived_utc, due, waits):
        due += timedelta(seconds=waits.flip_s + NEAR_MERIDIAN_S)
    # One frame more must fit in before the end.
    fits_until = pace.arrived_utc + timedelta(seconds=pace.exposure_s + pace.usual_gap_s)
    if any(fits_until >= end for end in _ends(pace, waits)):
        return None
    return due


def overdue(alarms: Alarms, waits: Waits, now: datetime) -> Step:
    """Say once that a frame is overdue, and once more after half an hour; never again."""
    pace = alarms.pace
    due = due_at(pace, waits)
    if due is None or pace.arrived_utc is None or pace.said > 1:
        return alarms, []
    if pace.said and any(now >= end for end in _ends(pace, waits)):
        return alarms, []
    if now < due + (AGAIN if pace.said else timedelta()):
        return alarms, []
    after = replace(alarms, pace=replace(pace, said=pace.said + 1))
    words = _words(pace, now)
    return after, [Alarm(What.OVERDUE, OVERDUE, now, pace.arrived_utc, words=words)]


def _ends(pace: Pace, waits: Waits) -> list[datetime]:
    """List when no frame is to be expected any more."""
    dark, plan = waits.dark_until_utc, waits.ends_utc
    follows = plan is None or pace.arrived_utc is None or pace.arrived_utc < plan + AFTER_PLAN
    return [end for end in (dark, plan if follows else None) if end is not None]


def heard(alarms: Alarms, other: Frame, arrived_utc: datetime) -> Alarms:
    """Take note of a frame that is no light: the rig is at work.

    After a focus frame a light is due as after a light. After darks, flats and bias frames it is
    not known whether lights are to follow: nothing is overdue until one comes.
    """
    pace, length_s = alarms.pace, other.header.exposure_s or 0.0
    if other.context.kind is not Kind.FOCUS:
        return replace(alarms, pace=replace(pace, arrived_utc=None, start_utc=None, said=0))
    if pace.arrived_utc is None:
        return alarms
    longer = replace(pace, arrived_utc=arrived_utc, start_utc=None)
    return replace(alarms, pace=replace(longer, exposure_s=max(pace.exposure_s, length_s)))


def resumed(alarms: Alarms, now: datetime) -> Alarms:
    """Begin to wait anew: the machine was suspended, or the watch was not running."""
    pace = alarms.pace
    if pace.arrived_utc is None:
        return alarms
    # Its start no longer tells when the next is due: time went by in which none could be seen.
    return replace(alarms, pace=replace(pace, arrived_utc=now, start_utc=None, delays_s=()))


def _meridian_between(arrived: datetime, due: datetime, waits: Waits) -> bool:
    near = timedelta(seconds=NEAR_MERIDIAN_S)
    return waits.meridian_utc is not None and (arrived - near <= waits.meridian_utc <= due + near)


def _words(pace: Pace, now: datetime) -> str:
    late_s = (now - (pace.arrived_utc or now)).total_seconds()
    by = ", by arrival: the clocks differ" if pace.clocks_differ else ""
    return f"no frame for {late_s / 60:.0f} min, exposures of {pace.exposure_s:g} s{by}"
