"""Which clock times are written by: the site's where it is known, else UTC; always with its name.

Sentences are made deep inside, where no zone is handed down; whoever shows them says by
`times_in` which zone they are made in. Without it that is UTC, as in JSON and CSV.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

MOST_APART_H = 3.0  # of a zone's clock from mean solar time; no country's is further (tz database)
NEAR = timedelta(hours=12)  # a change so near is within the same night


@dataclass(frozen=True, slots=True)
class Zone:
    """A zone to write times in, and why this one."""

    tz: tzinfo | None = UTC  # None: the machine's own, with its changes of summer time
    why: str = "as asked"

    def local(self, moment: datetime) -> datetime:
        """Give a moment by this zone's clock."""
        return moment.astimezone(self.tz)

    def name(self, moment: datetime) -> str:
        """Name the zone as it is at a moment: UTC, CEST, UTC+03."""
        said = self.local(moment).tzname() or "local time"
        return f"UTC{said}" if said[:1] in "+-" else said

    def changes_near(self, moment: datetime) -> bool:
        """Tell whether clocks change in the night of a moment, so that times may be there twice."""
        before, after = self.local(moment - NEAR), self.local(moment + NEAR)
        return before.utcoffset() != after.utcoffset()

    def clock(self, moment: datetime) -> str:
        """Write the time of day; where clocks change that night, each time with its zone."""
        said = f"{self.local(moment):%H:%M}"
        return f"{said} {self.name(moment)}" if self.changes_near(moment) else said

    def label(self, *moments: datetime) -> str:
        """Name the zone after times of day, with a blank before; empty where these carry it."""
        if any(map(self.changes_near, moments)):
            return ""
        return f" {'/'.join(dict.fromkeys(map(self.name, moments)))}"

    def at(self, moment: datetime) -> str:
        """Write the time of day with its zone."""
        return f"{self.clock(moment)}{self.label(moment)}"

    def span(self, start: datetime, end: datetime) -> str:
        """Write a span of one night with its zone: 21:10 to 04:30 CET."""
        return f"{self.clock(start)} to {self.clock(end)}{self.label(start, end)}"


IN_UTC = Zone()
_IN_FORCE: ContextVar[Zone] = ContextVar("zone", default=IN_UTC)


@contextmanager
def times_in(zone: Zone) -> Iterator[None]:
    """Have sentences made in here write their times in a zone."""
    before = _IN_FORCE.set(zone)
    try:
        yield
    finally:
        _IN_FORCE.reset(before)


def zone_in_force() -> Zone:
    """Give the zone in which times are written here."""
    return _IN_FORCE.get()


def clock(moment: datetime) -> str:
    """Write the time of day in the zone in force."""
    return zone_in_force().clock(moment)


def zone_label(*moments: datetime) -> str:
    """Name the zone in force after times of day, with a blank before."""
    return zone_in_force().label(*moments)


def site_zone(
    configured: tzinfo | None, longitude_deg: float | None, moment: datetime,
    machine: tzinfo | None = None,
) -> Zone:  # fmt: skip
    """Choose the site's zone: the config's, else the machine's where it can be there, else UTC.

    A machine's clock can be the site's when it is within three hours of mean solar time there.
    """
    if configured is not None:
        return Zone(configured, "the time zone in the config")
    if longitude_deg is None:
        return Zone(UTC, "where the site lies is not known")
    offset = moment.astimezone(machine).utcoffset() or timedelta()
    apart_h = offset.total_seconds() / 3600 - longitude_deg / 15
    if abs((apart_h + 12) % 24 - 12) <= MOST_APART_H:
        return Zone(machine, "this machine's time zone, which fits the site")
    return Zone(UTC, "this machine's time zone is not the site's")
