"""Dates and times as headers write them, and the way from other time scales to UTC.

Sources: FITS Standard 4.0, section 9 (date and time keywords, time scales); the IAU FITS Working
Group's rule of 1997 that a two-digit year is 1900 to 1999; leap seconds from IERS Bulletin C.
"""

import re
from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple

_SECOND_US = 1_000_000
_DAY_US = 86_400 * _SECOND_US
_MJD_EPOCH = datetime(1858, 11, 17, tzinfo=UTC)  # MJD = JD - 2400000.5
_MJD_OF_JD_ZERO = 2_400_000.5
_MJD_RANGE = (-10_000.0, 120_000.0)  # 1831 to 2187: outside it a number is no date of a frame
_YEARS = range(1850, 2200)

_YEAR_FIRST = re.compile(
    r"\+?0?([0-9]{4})[-/.:]([0-9]{1,2})[-/.:]([0-9]{1,2})(?:[T\s]+(.*))?\Z", re.S
)
_DAY_FIRST = re.compile(
    r"([0-9]{1,2})[-/.]([0-9]{1,2})[-/.]([0-9]{4}|[0-9]{2})(?:[T\s]+(.*))?\Z", re.S
)
_CLOCK = re.compile(
    r"([0-9]{1,2})[:\sh]\s*([0-9]{1,2})(?:[:\sm]\s*([0-9]{1,2})(?:[.,]([0-9]*))?)?\s*s?\s*"
    r"(Z|UTC?|GMT|[+-][0-9]{2}:?[0-9]{2})?\Z",
    re.I,
)

# Seconds each scale is ahead of TAI (FITS Standard 4.0, table 30); TDB is within 2 ms of TT.
_AHEAD_OF_TAI_S = {
    "TAI": 0.0, "IAT": 0.0, "TT": 32.184, "TDT": 32.184, "ET": 32.184, "TDB": 32.184, "GPS": -19.0,
}  # fmt: skip
# UT1 within 0.9 s
_LIKE_UTC = frozenset({"UTC", "UT", "UT1", "UTC1", "GMT", "Z", "UNIVERSAL", "COORDINATED"})


class Stamp(NamedTuple):
    """A date as written: day, microseconds since 0h (None: no time), offset from UTC if stated."""

    day: date
    clock_us: int | None = None
    offset_min: int | None = None
    swapped: bool = False  # day and month only make a date the other way round

    def moment(self) -> datetime | None:
        """Give the instant, reading the clock as UTC unless an offset is stated."""
        if self.clock_us is None:
            return None
        midnight = datetime(self.day.year, self.day.month, self.day.day, tzinfo=UTC)
        return midnight + timedelta(microseconds=self.clock_us, minutes=-(self.offset_min or 0))


def parse_stamp(text: str) -> Stamp | None:
    """Read a date, with or without time: ISO 8601, YYYY/MM/DD, DD/MM/YYYY, DD/MM/YY (19YY)."""
    text = text.strip()
    match = _YEAR_FIRST.match(text)
    if match:
        return _stamp(int(match[1]), int(match[2]), int(match[3]), match[4])
    match = _DAY_FIRST.match(text)
    if match is None:
        return None
    year = int(match[3]) + (1900 if len(match[3]) == 2 else 0)
    day, month = int(match[1]), int(match[2])
    if month > 12 >= day:
        stamp = _stamp(year, day, month, match[4])
        return stamp and stamp._replace(swapped=True)
    return _stamp(year, month, day, match[4])


def _stamp(year: int, month: int, day: int, clock: str | None) -> Stamp | None:
    if year not in _YEARS:
        return None
    try:
        on = date(year, month, day)
    except ValueError:
        return None
    if not clock:
        return Stamp(on)
    time = parse_clock(clock)
    return None if time is None else Stamp(on, *time)


def parse_clock(text: str) -> tuple[int, int | None] | None:
    """Read a time of day as microseconds since 0h and the offset from UTC in minutes, if stated.

    24:00:00 and a leap second 60 run on into the next day or minute.
    """
    match = _CLOCK.match(text.strip())
    if match is None:
        return None
    hour, minute, second = int(match[1]), int(match[2]), int(match[3] or 0)
    micros = int((match[4] or "0")[:6].ljust(6, "0"))
    clock_us = ((hour * 60 + minute) * 60 + second) * _SECOND_US + micros
    if minute > 59 or second > 60 or hour > 24 or (hour == 24 and clock_us > _DAY_US):
        return None
    return clock_us, _offset_min(match[5])


_CLOCK_WITHIN = re.compile(r"\b([0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]*)?)?)\b")
_UNITS_S = (
    (re.compile(r"\b(?:M?JD|julian)\b", re.I), None),  # a date, whatever its keyword
    (re.compile(r"\b(?:s|secs?|seconds?)\b", re.I), 1.0),
    (re.compile(r"\b(?:h|hrs?|hours?)\b", re.I), 3600.0),
    (re.compile(r"\b(?:d|days?)\b(?! of\b)", re.I), 86_400.0),
)


def clock_of_number(value: float, said: str) -> int | None:
    """Read a time of day written as one number, as microseconds since 0h; None if it is none.

    Parameters
    ----------
    value : float
        Hours where below 24, else seconds (common practice, no source), unless `said` decides.
    said : str
        The unit and the comment beside it: they name the unit, or give the time once more.
    """
    units_s = [unit_s for word, unit_s in _UNITS_S if word.search(said)]
    if None in units_s:
        return None
    readings_us = [value * unit_s * _SECOND_US for unit_s in units_s or [3600.0, 1.0] if unit_s]
    readings_us = [us for us in readings_us if 0 <= us < _DAY_US]
    if not readings_us:
        return None
    match = _CLOCK_WITHIN.search(said)
    clock = parse_clock(match[1]) if match else None
    likeliest_us = clock[0] if clock else readings_us[0]
    nearest_us: float = min(readings_us, key=lambda us: abs(us - likeliest_us))
    return round(nearest_us)


def _offset_min(zone: str | None) -> int | None:
    if not zone:
        return None
    if zone[0] not in "+-":
        return 0
    size = int(zone[1:3]) * 60 + int(zone[-2:])
    return -size if zone[0] == "-" else size


def from_mjd(mjd: float) -> datetime | None:
    """Turn a modified Julian date into the instant on its own scale, to a millisecond."""
    if not _MJD_RANGE[0] <= mjd <= _MJD_RANGE[1]:
        return None
    return _MJD_EPOCH + timedelta(milliseconds=round(mjd * 86_400_000))


def from_jd(jd: float) -> datetime | None:
    """Turn a Julian date into the instant on its own scale, to a millisecond."""
    return from_mjd(jd - _MJD_OF_JD_ZERO)


def to_utc(moment: datetime, scale: str) -> datetime:
    """Turn an instant on another time scale (TT, TAI, TDB, GPS ...) into UTC.

    Good to 2 ms (TDB); inside a leap second, which a datetime cannot hold, to a second.
    """
    ahead_s = _AHEAD_OF_TAI_S.get(scale)
    if ahead_s is None:
        return moment
    tai = moment - timedelta(seconds=ahead_s)
    # The offset holds on UTC dates, so look it up again on the UTC it leads to.
    first = tai - timedelta(seconds=_tai_minus_utc_s(tai.date()))
    return tai - timedelta(seconds=_tai_minus_utc_s(first.date()))


def _tai_minus_utc_s(day: date) -> int:
    """Give the leap seconds in force (IERS Bulletin C, as SOFA has them); before 1972 the first.

    Imported only for the rare header on another scale: the library brings numpy along.
    """
    import erfa

    table = [(row["year"], row["month"], row["tai_utc"]) for row in erfa.leap_seconds.get()]
    since_1972 = [row for row in table if row[0] >= 1972]
    in_force = [row for row in since_1972 if row[:2] <= (day.year, day.month)]
    return int((in_force or since_1972[:1])[-1][2])


def time_scale(written: str) -> str | None:
    """Give the scale a TIMESYS value names, what follows its name dropped; None if unknown.

    "TT(TAI)" is TT by its realisation, "UTC approximate" is UTC by a clock that was not set well.
    """
    words = re.split(r"[\s(,;/]+", written.strip().upper(), maxsplit=1)
    bare = words[0]
    if bare in _LIKE_UTC:
        return "UTC"
    if bare == "LOCAL" or bare in _AHEAD_OF_TAI_S:
        return bare
    return None
