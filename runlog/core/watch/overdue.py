"""A frame that does not come: the rig stopped."""

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from runlog.core.frame import Frame
from runlog.core.sky.sidereal import days_since_j2000, greenwich_sidereal_deg
from runlog.core.watch.alarms import Alarm, Alarms, Step, What
from runlog.core.watch.pace import LEAST_SLACK_S, Pace, due_utc

OVERDUE = "overdue"
AGAIN = timedelta(minutes=30)
SIDEREAL_DEG_S = 360.98564736629 / 86400
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
    # One frame more, its gap and its slack must fit in before the end.
    needs_s = pace.exposure_s + pace.overhead_s - LEAST_SLACK_S
    fits_until = pace.arrived_utc + timedelta(seconds=max(needs_s, 0.0))
    ends = [end for end in (waits.dark_until_utc, waits.ends_utc) if end is not None]
    if any(fits_until >= end for end in ends):
        return None
    return due


def overdue(alarms: Alarms, waits: Waits, now: datetime) -> Step:
    """Say once that a frame is overdue, and once more after half an hour; never again."""
    pace = alarms.pace
    due = due_at(pace, waits)
    if due is None or pace.arrived_utc is None or pace.said > 1:
        return alarms, []
    if pace.said and any(end and now >= end for end in (waits.dark_until_utc, waits.ends_utc)):
        return alarms, []
    if now < due + (AGAIN if pace.said else timedelta()):
        return alarms, []
    after = replace(alarms, pace=replace(pace, said=pace.said + 1))
    words = _words(pace, now)
    return after, [Alarm(What.OVERDUE, OVERDUE, now, pace.arrived_utc, words=words)]


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
