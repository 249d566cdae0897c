"""Time and longitude to the night a frame belongs to."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, tzinfo

HOURS_PER_DEGREE = 1 / 15.0
HALF_DAY = timedelta(hours=12)


@dataclass(frozen=True, slots=True)
class Clock:
    """Where local noon comes from when a header has no longitude."""

    longitude_deg: float | None = None  # east positive, from the config
    zone: tzinfo | None = None  # from the config, else the machine's
    zone_name: str = "the machine's time zone"


@dataclass(frozen=True, slots=True)
class Night:
    """A night by its evening's date, and what local noon was taken from."""

    evening: date
    source: str


def night_of(taken_at_utc: datetime, longitude_deg: float | None, clock: Clock) -> Night:
    """Name the night from local noon to local noon that holds a moment.

    Local time is mean solar time at the longitude (15 degrees an hour, east positive), which
    needs no time-zone tables and knows no daylight saving; a zone is used only when no
    longitude is known.
    """
    if longitude_deg is not None:
        return Night(_evening(_solar(taken_at_utc, longitude_deg)), "longitude in the header")
    if clock.longitude_deg is not None:
        return Night(_evening(_solar(taken_at_utc, clock.longitude_deg)), "longitude in the config")
    local = taken_at_utc.astimezone(clock.zone).replace(tzinfo=None)
    return Night(_evening(local), clock.zone_name)


def noon_before(evening: date, longitude_deg: float) -> datetime:
    """Give the moment a night begins: local noon, mean solar time, in UTC."""
    noon = datetime(evening.year, evening.month, evening.day, 12, tzinfo=UTC)
    return noon - timedelta(hours=_from_greenwich(longitude_deg) * HOURS_PER_DEGREE)


def _solar(taken_at_utc: datetime, longitude_deg: float) -> datetime:
    naive = taken_at_utc.astimezone(UTC).replace(tzinfo=None)
    return naive + timedelta(hours=_from_greenwich(longitude_deg) * HOURS_PER_DEGREE)


def _from_greenwich(longitude_deg: float) -> float:
    """Turn 0 to 360 degrees into -180 to 180: else the date would be a day ahead in the west."""
    return longitude_deg - 360 if longitude_deg > 180 else longitude_deg


def _evening(local: datetime) -> date:
    return (local - HALF_DAY).date()
