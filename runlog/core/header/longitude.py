"""The longitude of the rig, east positive, and what else in a header contradicts its sign.

East is positive by the standard (FITS Standard 4.0, section 8.4.1, OBSGEO-L), but many headers
count positive to the west. A comment that says so settles it. Else the frame's own clocks do:
sidereal time, or the hour angle of the target, belongs to one longitude only; local time is within
some hours of it. They decide between east and west and nothing finer.
"""

import math
import re
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import NamedTuple

from runlog.core.frame import Card
from runlog.core.header.cards import CardIndex, number_and_unit, text_of
from runlog.core.header.coordinates import parse_angle
from runlog.core.header.dates import parse_clock, parse_stamp
from runlog.core.header.questions import Doubts
from runlog.core.sky.sidereal import days_since_j2000, greenwich_sidereal_deg

# "Western" alone is the name of some observatory.
_SIDE = r"(?P<side>east|west|e|w)(?:wards?|ern(?=\s+long))?"
_WORDS = r"positive|negative|plus|minus|[+-]ve|[<>]\s*0"
# A dash with blanks around it is no sign.
_SIGN_FIRST = re.compile(
    rf"(?P<sign>{_WORDS}|\+|-(?=\s?=|[ew]))[\s=:]*(?:is|to(?:\s+the)?|for|in|towards?)?[\s=:]*{_SIDE}(?![a-z])"
)
_SIDE_FIRST = re.compile(
    rf"(?<![a-z]){_SIDE}(?:\s+longitudes?)?[\s=:(]*(?:is|are)?[\s=:(]*(?P<sign>{_WORDS}|\+|(?<=[ewt=])-)"
)
_UNIT = r"(?:\bdeg(?:ree)?s?|\bd|°)\.?"
_WEST = re.compile(rf"\bwest(?:wards?|ern(?=\s+long))?\b|{_UNIT}\s*w\b|[(\[]\s*w\s*[)\]]|^\s*w\s*$")
_EAST = re.compile(rf"\beast(?:wards?|ern(?=\s+long))?\b|{_UNIT}\s*e\b|[(\[]\s*e\s*[)\]]|^\s*e\s*$")

# Sidereal time and hour angle are written some minutes before the start at the earliest, after the
# exposure at the latest; four minutes are a degree (common practice, no source).
_CLOCK_SLACK_DEG = 5.0
_CLOCK_CLEARLY_DEG = 15.0  # the other sign must be so much worse
# Local time follows frontiers and summer: within two hours of the Sun's in nearly every country.
_ZONE_SLACK_DEG, _ZONE_CLEARLY_DEG = 30.0, 30.0
_SAME_CLOCK_H = 0.2  # a computer that runs on UTC says nothing of the place
_SECOND_DEG = 360 / 86400
_LOCAL = re.compile(r"\blocal\b(?!.*\b(?:utc?|gmt|universal|sidereal)\b)", re.IGNORECASE)
_COMPACT = re.compile(r"[+-][0-9]{4}\Z")
_OFFSETS = ((14, 1), (14 * 60, 60), (14 * 3600, 3600))  # the greatest offset, and parts of an hour


class Taken(NamedTuple):
    """When and where to a frame was taken, as far as its header tells."""

    at_utc: datetime | None = None
    exposure_s: float | None = None
    ra_deg: float | None = None


class Clue(NamedTuple):
    """A longitude that follows from something else in the header, and how far off it may be."""

    longitude_deg: float
    low_deg: float
    high_deg: float
    clearly_deg: float

    def off_deg(self, longitude_deg: float) -> float:
        """Give how far outside of what the clue allows a longitude lies."""
        apart = (self.longitude_deg - longitude_deg + 180) % 360 - 180
        return max(self.low_deg - apart, apart - self.high_deg, 0.0)


def read_longitude(
    index: CardIndex, latitude_deg: float | None, taken: Taken, doubts: Doubts
) -> float | None:
    """Give the longitude, east positive, its sign turned where the header contradicts it."""
    for card in index.all("longitude"):
        angle = None if card.value is None else parse_angle(card.value)
        if angle is None:
            continue
        value = _east_positive(card, angle.value, angle.hemisphere)
        if -360 <= value <= 360:
            value = (value + 180) % 360 - 180 if abs(value) > 180 else value
            if not _contradicted(value, _clues(index, taken)):
                return value
            _ask(card, value, latitude_deg, doubts)
            return -value
        doubts.ask("site", f"{card.keyword} {card.value}: a longitude lies within 360 degrees")
    return None


def _contradicted(value: float, clues: Iterable[Clue]) -> bool:
    """Tell whether only the other sign fits; the first clue that fits one sign alone decides."""
    for clue in clues:
        own, other = clue.off_deg(value), clue.off_deg(-value)
        if own == 0 and other >= clue.clearly_deg:
            return False
        if other == 0 and own >= clue.clearly_deg:
            return True
    return False


def _ask(card: Card, value: float, latitude_deg: float | None, doubts: Doubts) -> None:
    """Say what was taken; which clue decided is left out, so that a night asks one question."""
    written = "" if card.value is None else text_of(card.value)
    text = (
        f"{card.keyword} {written} was taken as {-value:g}, east positive: only that sign fits the "
        "header's UTC together with its sidereal time, hour angle or local time"
    )
    latitude = "LATITUDE" if latitude_deg is None else f"{latitude_deg:g}"
    doubts.ask("site-longitude", text, f'site "{latitude} {-value:g}"')


# --- what the card itself says --------------------------------------------------------------


def _east_positive(card: Card, value: float, hemisphere: str) -> float:
    """Turn a longitude to east positive, by its letter or else its comment."""
    if hemisphere:
        return -abs(value) if hemisphere == "W" else abs(value)
    comment = card.comment.lower()
    west_positive = _positive_west(comment)
    if west_positive is not None:
        return -value if west_positive else value
    # A negative number "west" is most likely signed already.
    return -abs(value) if _WEST.search(comment) and not _EAST.search(comment) else value


def _positive_west(comment: str) -> bool | None:
    """Tell from words such as "east negative" which way is positive; None where nothing says."""
    found = [m for p in (_SIGN_FIRST, _SIDE_FIRST) if (m := p.search(comment)) is not None]
    if not found:
        return None
    match = min(found, key=re.Match.start)  # in "east positive west negative" the first two words
    return (match["side"][0] == "w") == (match["sign"][0] in "p+>")


# --- what else the header says --------------------------------------------------------------


def _clues(index: CardIndex, taken: Taken) -> Iterator[Clue]:
    """Give the longitudes that follow from other cards, the surest first."""
    if taken.at_utc is None:
        return
    greenwich_deg = greenwich_sidereal_deg(days_since_j2000(taken.at_utc))
    late_deg = _CLOCK_SLACK_DEG + (taken.exposure_s or 0.0) * _SECOND_DEG
    for sidereal_deg in _sidereal(index, taken.ra_deg):
        longitude = sidereal_deg - greenwich_deg
        yield Clue(longitude, -_CLOCK_SLACK_DEG, late_deg, _CLOCK_CLEARLY_DEG)
    for hours in _zone_hours(index, taken.at_utc):
        if abs(hours) > _SAME_CLOCK_H:
            yield Clue(hours * 15, -_ZONE_SLACK_DEG, _ZONE_SLACK_DEG, _ZONE_CLEARLY_DEG)


def _sidereal(index: CardIndex, ra_deg: float | None) -> Iterator[float]:
    for card in index.all("sidereal_time"):
        hour_deg = _turn_deg(card, hours_by_size=True)
        if hour_deg:
            yield hour_deg
    for card in index.all("hour_angle"):
        hour_deg = _turn_deg(card, hours_by_size=False)
        if hour_deg is not None and ra_deg is not None:
            yield hour_deg + ra_deg


_TURN_UNITS = (
    (re.compile(r"\bsec(?:onds?)?\b|[(\[]s[)\]]"), _SECOND_DEG),
    (re.compile(r"\bdeg(?:rees?)?\b"), 1.0),
    (re.compile(r"\bhours?\b|\bhrs?\b|[(\[]h[)\]]"), 15.0),
)


def _turn_deg(card: Card, *, hours_by_size: bool) -> float | None:
    """Read a part of the Earth's turn in degrees: sexagesimal hours, or a number and its unit.

    A number without a unit is in degrees above 24 and in seconds above 360; below it is in hours
    or, for an hour angle, not to be told.
    """
    angle = None if card.value is None else parse_angle(card.value)
    if angle is None:
        return None
    value = -abs(angle.value) if angle.hemisphere == "E" else angle.value
    if angle.sexagesimal:
        return value if angle.unit == "d" else value * 15
    if (per_unit := _per_unit(card)) is not None:
        return value * per_unit
    if abs(value) > 24:
        return value if abs(value) <= 360 else value * _SECOND_DEG
    return value * 15 if hours_by_size else None


def _per_unit(card: Card) -> float | None:
    found = number_and_unit(card)
    unit = found[1].lower() if found else ""
    comment = f"{unit} {card.comment.lower().replace('hour angle', '')}"
    return next((deg for pattern, deg in _TURN_UNITS if pattern.search(comment)), None)


def _zone_hours(index: CardIndex, at_utc: datetime) -> Iterator[float]:
    """Give how far local time is ahead of UTC: as stated, else by comparing clocks.

    A card called time zone is not looked at: as many count it positive to the west.
    """
    for name in ("date_start", "time_start", "date_local", "date_end"):
        for card in index.all(name):
            if isinstance(card.value, str) and (minutes := _stated_offset_min(card.value)):
                yield minutes / 60
    for card in index.all("utc_offset"):
        if (stated_h := _offset_h(card)) is not None:
            yield stated_h
    for name in ("date_local", "date_start", "time_start"):
        for card in index.all(name):
            if name == "date_local" or _LOCAL.search(card.comment):
                ahead_h = _ahead_h(card.value, at_utc) if isinstance(card.value, str) else None
                if ahead_h is not None:
                    yield ahead_h


def _offset_h(card: Card) -> float | None:
    """Read "local time minus UTC" in hours, or by its size in minutes or seconds."""
    if isinstance(card.value, str) and _COMPACT.match(card.value):
        hours, minutes = int(card.value[:3]), int(card.value[3:])
        return hours + math.copysign(minutes / 60, hours)
    angle = None if card.value is None else parse_angle(card.value)
    if angle is None:
        return None
    size = next((scale for most, scale in _OFFSETS if abs(angle.value) <= most), None)
    return None if size is None else angle.value / size


def _stated_offset_min(text: str) -> int | None:
    stamp, clock = parse_stamp(text), parse_clock(text)
    return stamp.offset_min if stamp else clock[1] if clock else None


def _ahead_h(text: str, at_utc: datetime) -> float | None:
    stamp, clock = parse_stamp(text), parse_clock(text)
    micros = stamp.clock_us if stamp else clock[0] if clock else None
    if micros is None:
        return None
    midnight = at_utc.replace(hour=0, minute=0, second=0, microsecond=0)
    ahead_h = micros / 3.6e9 - (at_utc - midnight).total_seconds() / 3600
    return (ahead_h + 12) % 24 - 12
