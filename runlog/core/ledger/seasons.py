"""Spans of nights by a season's name: a year, a winter of two years, or spring to winter.

Seasons are the meteorologists': spring is March to May in the north (WMO), September to November
in the south. "2026-27" is an observing year, July to June.
"""

import re
from datetime import date, timedelta

from runlog.errors import UsageError

_FIRST_MONTH = {"spring": 3, "summer": 6, "autumn": 9, "fall": 9, "winter": 12}
_YEAR = re.compile(r"(?:19|20)\d\d\Z")
_TWO_YEARS = re.compile(r"(?P<first>(?:19|20)\d\d)\s?[-/]\s?(?P<last>(?:(?:19|20))?\d\d)\Z")
_NAMED = re.compile(
    r"(?:(?P<a>spring|summer|autumn|fall|winter)[\s\-]*(?P<ay>(?:19|20)\d\d)"
    r"|(?P<by>(?:19|20)\d\d)[\s\-]*(?P<b>spring|summer|autumn|fall|winter))\Z"
)


def season(text: str, southern: bool = False) -> tuple[str, str]:
    """Give the first and last evening of a season, ISO dates."""
    said = " ".join(text.lower().split())
    if _YEAR.match(said):
        return f"{said}-01-01", f"{said}-12-31"
    if two := _TWO_YEARS.match(said):
        first, last = int(two["first"]), int(two["last"])
        if last in (first + 1, (first + 1) % 100):
            return f"{first}-07-01", f"{first + 1}-06-30"
    if named := _NAMED.match(said):
        return _quarter(named["a"] or named["b"], int(named["ay"] or named["by"]), southern)
    raise UsageError(
        f"{text!r} is no season",
        cure="Write a year (2026), an observing year (2026-27), or as in autumn 2026",
    )


def observing_year(night: str) -> str:
    """Name the observing year, July to June, of an evening's ISO date; "" of none."""
    if not night:
        return ""
    year = int(night[:4]) - (night[5:7] < "07")
    return f"{year}-{(year + 1) % 100:02d}"


def _quarter(name: str, year: int, southern: bool) -> tuple[str, str]:
    month = _FIRST_MONTH[name]
    if southern:
        month = (month + 6 - 1) % 12 + 1
    start = date(year, month, 1)
    end_month, end_year = (month + 3, year) if month <= 9 else (month - 9, year + 1)
    return start.isoformat(), (date(end_year, end_month, 1) - timedelta(days=1)).isoformat()
