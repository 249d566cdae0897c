"""Columns of moments: by the clock in force, with its name in the heading or behind each time."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from runlog.core.times import Zone, zone_in_force


@dataclass(frozen=True, slots=True)
class Moments:
    """How a column of moments is headed, with a clock's name and without, and written."""

    headed: str  # with a place for the name
    plain: str
    form: str

    def heading(self, moments: Iterable[datetime | None]) -> str:
        """Name the column, and the clock where all its moments are by one."""
        name = _one_clock(zone_in_force(), moments)
        return self.headed.format(name) if name else self.plain

    def cells(self, moments: Sequence[datetime | None]) -> list[str | None]:
        """Write the moments; each with its clock's name where they are by several."""
        zone = zone_in_force()
        one = bool(_one_clock(zone, moments))
        return [None if m is None else self._written(m, zone, named=not one) for m in moments]

    def alone(self, moment: datetime) -> str:
        """Write one moment where no heading names the clock."""
        return self._written(moment, zone_in_force(), named=True)

    def _written(self, moment: datetime, zone: Zone, *, named: bool) -> str:
        said = zone.local(moment).strftime(self.form)
        return f"{said} {zone.name(moment)}" if named else said


def _one_clock(zone: Zone, moments: Iterable[datetime | None]) -> str:
    """Give the name of the clock if it is the same for all; where it changes it is of each."""
    names: set[str] = set()
    for moment in moments:
        if moment is not None:
            names.add(zone.name(moment))
        if len(names) > 1:
            return ""
    return names.pop() if names else ""


TO_THE_SECOND, TO_THE_MINUTE = "%m-%d %H:%M:%S", "%Y-%m-%d %H:%M"
MOMENTS: Mapping[str, Moments] = {
    "taken_at_utc": Moments("{}", "start", TO_THE_SECOND),
    "at_utc": Moments("when ({})", "when", TO_THE_MINUTE),
    "scanned_at_utc": Moments("last scan ({})", "last scan", TO_THE_MINUTE),
}
