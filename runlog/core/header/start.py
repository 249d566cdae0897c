"""The start of an exposure in UTC, from whatever date and time cards a header has.

Sources: FITS Standard 4.0, section 9.5: DATE-BEG and MJD-BEG are the start; DATE-OBS is taken for
the start unless its comment says otherwise; DATE-AVG is the middle, DATE-END the end. DATE is when
the file was written and never counts. The other keywords are common practice, no source.
"""

import re
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from itertools import chain
from typing import NamedTuple

from runlog.core.frame import Card
from runlog.core.header.cards import CardIndex, number_and_unit, parse_number, text_of
from runlog.core.header.dates import (
    Stamp,
    clock_of_number,
    from_jd,
    from_mjd,
    parse_clock,
    parse_stamp,
    time_scale,
    to_utc,
)
from runlog.core.header.keywords import squeeze
from runlog.core.header.questions import Doubts

_START = re.compile(r"start|begin|open", re.I)
_MIDDLE = re.compile(r"\bmid(?!as\b|night)|middle|cent(?:re|er) of (?:the )?exp", re.I)
_END = re.compile(r"\bend|\bstop|\bclose|finish", re.I)
_LOCAL = re.compile(r"\blocal\b|\bzone time\b", re.I)
_UNIT = re.compile(r"[a-z.]*", re.I)
_UNIVERSAL = re.compile(r"\but[c1]?\b|\bgmt\b|universal", re.I)

# Two start times of one frame further apart than this are not the same clock: time zones differ
# by at least a quarter of an hour.
_DISAGREE_S = 840.0
# Readout, saving and a slow disk can pass before an end is written (common practice, no source).
_LATE_END_S = 120.0
_EARLY_END_S = 2.0
_FIRST_CCD = 1976  # at a 61 inch telescope in Arizona (from memory)
# Days from which computers and satellite receivers count (common practice, no source).
_CLOCKS_BEGIN = frozenset({date(1980, 1, 1), date(1980, 1, 6)})


class Start(NamedTuple):
    """The start of an exposure and the keywords it was read from."""

    at_utc: datetime | None = None
    source: str | None = None


class _Late(NamedTuple):
    """An instant that is not the start: in the middle or at the end of the exposure."""

    moment: datetime
    keyword: str
    share: float  # of the exposure gone by


def read_start(index: CardIndex, exposure_s: float | None, doubts: Doubts) -> Start:
    """Give the start of the exposure in UTC and the keywords it was read from."""
    return _Reader(index, exposure_s, doubts).start()


class _Reader:
    """Try a header's ways of saying when, the surest first."""

    def __init__(self, index: CardIndex, exposure_s: float | None, doubts: Doubts) -> None:
        self.index, self.exposure_s, self.doubts = index, exposure_s, doubts
        self.scale = self._scale()
        self.day: Stamp | None = None
        self.day_keyword = ""
        self.local = index.first("date_local")
        self.late: list[_Late] = []

    def start(self) -> Start:
        ways = chain(self._dated(), self._day_and_clock(), self._numbered(), self._reckoned())
        found = next(ways, None)
        if found is None or found.at_utc is None:
            self._say_why_not()
            return Start()
        self._check_day(found.at_utc, found.source or "")
        self._check_end(found.at_utc)
        self._check_others(found.at_utc, found.source or "")
        return found

    def _scale(self) -> str:
        card = self.index.first("time_scale")
        if card is None or card.value is None:
            return "UTC"
        scale = time_scale(text_of(card.value))
        if scale is None:
            self.doubts.ask("time-scale", f"{card.keyword} {card.value} is not known; taken as UTC")
        return scale or "UTC"

    # --- ways of saying when -----------------------------------------------------------------

    def _dated(self) -> Iterator[Start]:
        for card in self.index.all("date_start"):
            stamp = self._stamp(card)
            if stamp is None or self._is_local(card, stamp.offset_min):
                continue
            moment = self._utc(stamp)
            if moment is None:
                self._keep_day(stamp, card)
            elif share := _share(card):
                self.late.append(_Late(moment, card.keyword, share))
            else:
                yield Start(moment, card.keyword)

    def _day_and_clock(self) -> Iterator[Start]:
        if self.day is None:
            self._day_from_whole_mjd()
        for card in self.index.all("time_start"):
            moment, source = self._moment_of_clock(card)
            if moment is None:
                continue
            if share := _share(card):
                self.late.append(_Late(moment, source, share))
            else:
                yield Start(moment, source)

    def _numbered(self) -> Iterator[Start]:
        for name in ("mjd_start", "jd_start"):
            for card in self.index.all(name):
                moment = self._moment_of_number(card, julian=name == "jd_start")
                if moment is not None:
                    yield Start(moment, card.keyword)
        for card in self.index.all("jd"):
            moment = self._moment_of_number(card, julian=True)
            if moment is not None and _START.search(card.comment):
                yield Start(moment, card.keyword)

    def _reckoned(self) -> Iterator[Start]:
        for late in chain(self.late, self._late_instants()):
            part = "half the exposure" if late.share == 0.5 else "the exposure"
            if self.exposure_s is None:
                text = f"{late.keyword} needs {part} taken off, and no exposure time is known"
                self.doubts.ask("start-reckoned", text)
                continue
            source = f"{late.keyword} minus {part}"
            self.doubts.ask("start-reckoned", f"the start was reckoned as {source}")
            yield Start(late.moment - timedelta(seconds=late.share * self.exposure_s), source)
        yield from self._unsaid_julian()

    def _late_instants(self) -> Iterator[_Late]:
        for name, share in (("date_middle", 0.5), ("mjd_middle", 0.5), ("jd_middle", 0.5)):
            yield from self._instants(name, share)
        for card in self.index.all("jd"):
            moment = self._moment_of_number(card, julian=True)
            if moment is not None and (share := _share(card)):
                yield _Late(moment, card.keyword, share)
        for name in ("date_end", "mjd_end"):
            yield from self._instants(name, 1.0)

    def _instants(self, name: str, share: float) -> Iterator[_Late]:
        for card in self.index.all(name):
            moment = self._moment(card, name)
            if moment is not None:
                yield _Late(moment, card.keyword, share)

    def _unsaid_julian(self) -> Iterator[Start]:
        """Take a bare JD for the start as the last resort: it may as well be the middle."""
        for card in self.index.all("jd"):
            moment = self._moment_of_number(card, julian=True)
            if moment is not None:
                text = f"{card.keyword} does not say whether it is start or middle; taken as start"
                self.doubts.ask("start-reckoned", text)
                yield Start(moment, card.keyword)

    # --- from a card to an instant -----------------------------------------------------------

    def _moment(self, card: Card, name: str) -> datetime | None:
        if name.startswith("date"):
            return self._moment_of_clock(card)[0]
        return self._moment_of_number(card, julian=name.startswith("jd"))

    def _stamp(self, card: Card) -> Stamp | None:
        stamp = parse_stamp(card.value) if isinstance(card.value, str) else None
        if stamp is None:
            self.doubts.ask("date-unreadable", f"{card.keyword} {card.value} is not a date")
        elif stamp.swapped:
            text = f"{card.keyword} {card.value} is a date only as month/day/year"
            self.doubts.ask("date-day-or-month", text)
        return stamp

    def _is_local(self, card: Card, offset_min: int | None) -> bool:
        """Tell whether a card is local time; a stated offset from UTC makes any time usable."""
        if offset_min is not None:
            return False
        said = _LOCAL.search(card.comment) and not _UNIVERSAL.search(card.comment)
        if said or self.scale == "LOCAL":
            self.local = self.local or card
            return True
        return False

    def _utc(self, stamp: Stamp) -> datetime | None:
        moment = stamp.moment()
        if moment is None or stamp.offset_min is not None:
            return moment
        return to_utc(moment, self.scale)

    def _keep_day(self, stamp: Stamp, card: Card) -> None:
        if self.day is None:
            self.day, self.day_keyword = stamp, card.keyword

    def _day_from_whole_mjd(self) -> None:
        for card in self.index.all("mjd_start"):
            found = number_and_unit(card)
            moment = from_mjd(found[0]) if found and found[0].is_integer() else None
            if moment is not None:
                self._keep_day(Stamp(moment.date()), card)

    def _moment_of_clock(self, card: Card) -> tuple[datetime | None, str]:
        """Read a time of day on the day known so far, or a date with time where one is written."""
        text = card.value if isinstance(card.value, str) else ""
        stamp = parse_stamp(text)
        if stamp is not None:
            local = self._is_local(card, stamp.offset_min)
            return (None if local else self._utc(stamp)), card.keyword
        clock = _clock(card)
        if clock is None:
            self.doubts.ask("date-unreadable", f"{card.keyword} {card.value} is not a time")
        elif self.day is not None and not self._is_local(card, clock[1]):
            source = f"{self.day_keyword} + {card.keyword}"
            return self._utc(Stamp(self.day.day, *clock)), source
        return None, card.keyword

    def _moment_of_number(self, card: Card, julian: bool) -> datetime | None:
        found = number_and_unit(card)
        if found is None or self._is_local(card, None):
            return None
        moment = from_jd(found[0]) if julian else from_mjd(found[0])
        if moment is None:
            self.doubts.ask("date-unreadable", f"{card.keyword} {card.value} is no date of a frame")
        elif not julian and found[0].is_integer():
            return None  # a whole day says no time of day
        return None if moment is None else to_utc(moment, self.scale)

    # --- does it fit -------------------------------------------------------------------------

    def _say_why_not(self) -> None:
        if self.local is not None:
            text = f"only a local time is given ({self.local.keyword} {self.local.value})"
            self.doubts.ask("time-local-only", f"{text}; its offset from UTC is not known")
        elif self.day is not None:
            text = f"{self.day_keyword} gives the date {self.day.day} and nothing the time of day"
            self.doubts.ask("date-without-time", text)
        else:
            self.doubts.ask("date-missing", "no card gives the time of the exposure")

    def _check_day(self, start: datetime, source: str) -> None:
        if start.year < _FIRST_CCD:
            text = f"{source} says {start:%Y-%m-%d}, before the first CCD at a telescope"
            self.doubts.ask("date-before-1990", text)
        elif start.date() in _CLOCKS_BEGIN:
            text = f"{source} says {start:%Y-%m-%d}, where a clock begins that was never set"
            self.doubts.ask("date-before-1990", text)

    def _check_end(self, start: datetime) -> None:
        card = self.index.first("date_end")
        stamp = parse_stamp(card.value) if card and isinstance(card.value, str) else None
        end = self._utc(stamp) if stamp else None
        if card is None or end is None or self.exposure_s is None:
            return
        open_s = (end - start).total_seconds()
        over_s = open_s - self.exposure_s
        if not -_EARLY_END_S <= over_s <= _LATE_END_S:
            after = f"{card.keyword} is {open_s:g} s after the start"
            text = f"{after}, the exposure {self.exposure_s:g} s"
            self.doubts.ask("end-contradicts-exposure", text)

    def _check_others(self, start: datetime, source: str) -> None:
        clocks = ((card, self._clock_apart_s) for card in self.index.all("time_start"))
        numbers = ((card, self._number_apart_s) for card in self.index.all("mjd_start"))
        for card, apart in chain(clocks, numbers):
            if card.keyword in source or _share(card) or self._is_local(card, None):
                continue
            apart_s = apart(card, start)
            if apart_s is not None and abs(apart_s) > _DISAGREE_S:
                text = f"{card.keyword} {card.value} is {abs(apart_s) / 3600:.2f} h from {source}"
                self.doubts.ask("times-disagree", text)

    def _number_apart_s(self, card: Card, start: datetime) -> float | None:
        moment = self._moment_of_number(card, julian=False)
        return None if moment is None else (moment - start).total_seconds()

    def _clock_apart_s(self, card: Card, start: datetime) -> float | None:
        """Give how far a time of day is from the start's, by the nearest day."""
        clock = _clock(card)
        if clock is None or clock[1]:
            return None
        moment = to_utc(start.replace(hour=0, minute=0, second=0, microsecond=0), self.scale)
        apart_s = (moment - start).total_seconds() + clock[0] / 1e6
        return (apart_s + 43_200) % 86_400 - 43_200


def _clock(card: Card) -> tuple[int, int | None] | None:
    """Read a time of day, as text or as one number; a number in a card of dates is none."""
    clock = parse_clock(card.value) if isinstance(card.value, str) else None
    if clock is not None or squeeze(card.keyword).startswith(("DATE", "MID")):
        return clock
    found = None if card.value is None else parse_number(card.value)
    if found is None or not _UNIT.fullmatch(found[1]):  # "2017-12-20T..." begins like a number
        return None
    clock_us = clock_of_number(found[0], f"{found[1]} / {card.comment}")
    return None if clock_us is None else (clock_us, None)


def _share(card: Card) -> float:
    """Give the share of the exposure gone by at a card's time, by its comment: 0, a half or 1."""
    comment = card.comment
    if not comment or _START.search(comment):
        return 0.0
    if _MIDDLE.search(comment):
        return 0.5
    return 1.0 if _END.search(comment) else 0.0
