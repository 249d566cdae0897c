"""What the morning review shows: nights, lists found by plain words, the doubtful queue."""

import re
from array import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from statistics import median
from typing import TYPE_CHECKING

from sqlalchemy import Engine

from runlog.config import Settings
from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.header.filters import fold_filter
from runlog.core.published import value_of
from runlog.store import review as store
from runlog.store.engine import open_engine, reading
from runlog.store.migrate import ready
from runlog.store.review import Order, Sieve, Term
from runlog.store.runs import dirty_runs

if TYPE_CHECKING:
    from runlog.core.story.report import NightReport


@dataclass(frozen=True, slots=True)
class RunLine:
    """One rig's night, with its hours by grade."""

    id: int
    night: str  # ISO date, "" when undated
    rig: str
    frames: int
    logged_s: float
    kept_s: float
    doubtful_s: float
    rejected_s: float


def run_lines(engine: Engine) -> list[RunLine]:
    """List the runs that hold light frames, oldest first."""
    with reading(engine) as connection:
        return [RunLine(**row._mapping) for row in store.run_rows(connection)]


def listed(engine: Engine, sieve: Sieve, order: Order, limit: int | None = None) -> "array[int]":
    """List the frames that pass the sieve, as ids in order."""
    with reading(engine) as connection:
        return store.frame_ids(connection, sieve, order, limit)


def page(engine: Engine, ids: Sequence[int]) -> dict[int, Frame]:
    """Load the lines of a few frames."""
    with reading(engine) as connection:
        return store.lines_by_id(connection, ids)


def whole_run(engine: Engine, run_id: int) -> list[Frame]:
    """Load a run's light frames in time order, for its chart."""
    with reading(engine) as connection:
        return store.lines_of_run(connection, run_id)


def open_count(engine: Engine, run_id: int | None) -> int:
    """Count the frames that wait for a decision."""
    with reading(engine) as connection:
        return store.count_open(connection, run_id)


def change_token(engine: Engine) -> tuple[int, ...]:
    """Tell with a few numbers whether anybody changed anything."""
    with reading(engine) as connection:
        return store.change_token(connection)


def settle_now(engine: Engine, settings: Settings) -> int:
    """Bring sums up to date after marks; returns how many runs needed it."""
    with reading(engine) as connection:
        if not dirty_runs(connection):
            return 0
    # Grading and matching take a second to import, which the first paint must not wait for.
    from runlog.actions.settle import settle_all

    return settle_all(engine, settings)


def open_for_review(database: str, tell: Callable[[str], None] = lambda _: None) -> Engine:
    """Open, migrated when behind; what a crash left behind is settled after the first paint."""
    return ready(open_engine(database), tell)


def report_of(engine: Engine, settings: Settings, run: RunLine) -> "NightReport | None":
    """Tell the story of one run."""
    from runlog.actions.night import night_reports

    reports = night_reports(engine, settings, run.night)
    return next((report for report in reports if report.rig == run.rig), None)


# --- the doubtful queue ---------------------------------------------------------------------

SHORT_S = 60.0  # frames this short come by the thousand and are decided in blocks
BLOCK_LEAST = 3
BLOCK_GAP_S = 300.0  # a pass of cloud lets single good frames through


@dataclass(frozen=True, slots=True)
class Case:
    """One decision to make: a frame, or a block of short ones alike."""

    frames: tuple[Frame, ...]

    @property
    def head(self) -> Frame:
        """The frame whose picture stands for all: the middle one."""
        return self.frames[len(self.frames) // 2]

    @property
    def ids(self) -> list[int]:
        """The frames it decides."""
        return [line.identity.id for line in self.frames]

    @property
    def decided(self) -> bool:
        """Whether a person has decided on every frame of it."""
        return all(line.judgement.graded_by == "person" for line in self.frames)


def doubtful_cases(engine: Engine, run_id: int | None) -> list[Case]:
    """List what needs, or needed, a person; of a run, or of all nights."""
    with reading(engine) as connection:
        return fold(store.doubtful_lines(connection, run_id))


def fold(lines: Sequence[Frame]) -> list[Case]:
    """Fold runs of short frames with the same trouble into blocks; others stand alone."""
    groups: list[list[Frame]] = []
    for line in lines:
        if groups and _belongs(line, groups[-1][-1]):
            groups[-1].append(line)
        else:
            groups.append([line])
    cases: list[Case] = []
    for group in groups:
        whole = len(group) >= BLOCK_LEAST
        cases += [Case(tuple(group))] if whole else [Case((line,)) for line in group]
    return cases


def _belongs(line: Frame, last: Frame) -> bool:
    if (line.header.exposure_s or SHORT_S + 1) > SHORT_S or None in (
        line.header.taken_at_utc,
        last.header.taken_at_utc,
    ):
        return False
    assert line.header.taken_at_utc is not None
    assert last.header.taken_at_utc is not None
    gap = line.header.taken_at_utc - last.header.taken_at_utc
    return (
        gap <= timedelta(seconds=BLOCK_GAP_S)
        and _group(line) == _group(last)
        and _main_fault(line) == _main_fault(last)
    )


def _group(line: Frame) -> tuple[object, ...]:
    context = line.context
    return context.run_id, context.target, context.filter, line.header.exposure_s


def _main_fault(line: Frame) -> str:
    return line.judgement.faults[0].name if line.judgement.faults else ""


def usual(engine: Engine, line: Frame, names: Sequence[str]) -> dict[str, float | None]:
    """Find what kept frames of the same run, target and filter usually measure."""
    with reading(engine) as connection:
        alike = store.kept_alike(connection, line)
    found: dict[str, float | None] = {}
    for name in names:
        values = [v for v in (value_of(other, name) for other in alike) if v is not None]
        found[name] = median(values) if values else None
    return found


# --- plain words ----------------------------------------------------------------------------

GRADE_WORDS = {g.value: g.value for g in Grade} | {
    "kept": "keep",
    "rejected": "reject",
    "rejects": "reject",
}
FAULT_WORDS = {f.value: f.value for f in FaultName} | {
    "clouds": "cloud",
    "cloudy": "cloud",
    "trails": "trailed",
    "trail": "trailed",
    "streaks": "streak",
    "satellite": "streak",
    "moon": "bright-sky",
}
# "wider than 3": the comparison of one measure.
COMPARED = {
    "wider": ("above", "fwhm_px"),
    "narrower": ("below", "fwhm_px"),
    "sharper": ("below", "fwhm_px"),
    "rounder": ("below", "eccentricity"),
    "longer": ("above", "exposure_s"),
    "shorter": ("below", "exposure_s"),
    "brighter": ("above", "background_adu"),
    "darker": ("below", "background_adu"),
    "higher": ("below", "airmass"),
    "lower": ("above", "airmass"),
    "noisier": ("above", "noise_adu"),
    "clearer": ("above", "transparency"),
    "hazier": ("below", "transparency"),
}
COUNTED = {"more": "above", "over": "above", "fewer": "below", "less": "below", "under": "below"}
MEASURE_WORDS = {
    "fwhm": "fwhm_px",
    "ecc": "eccentricity",
    "eccentricity": "eccentricity",
    "stars": "stars",
    "sky": "background_adu",
    "noise": "noise_adu",
    "length": "exposure_s",
    "airmass": "airmass",
    "transparency": "transparency",
    "sensor": "sensor_c",
}
SHORTEST_START = 3  # "rej" is taken for reject, "re" for part of a name
# "from 22:10 to 23:05", "after 22:10", "before 23:05": the time of day, UTC.
SINCE, UNTIL = ("from", "after", "since"), ("to", "until", "before")
HALF_DAY_S, DAY_S = 43_200, 86_400
_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)(?::([0-5]\d))?$")
_NUMBER = re.compile(r"[-+]?\d+(\.\d*)?$|[-+]?\.\d+$")
_DATE = re.compile(r"\d{4}-\d\d-\d\d$")
_WORDS = re.compile(r'"[^"]*"|\S+')  # "M 33" in quotes is one name


@dataclass(frozen=True, slots=True)
class Asked:
    """What the words typed so far mean; `waiting` says what the last ones still lack."""

    terms: tuple[Term, ...]
    waiting: str = ""


def understand(text: str, filters: Sequence[str] = ()) -> Asked:
    """Read plain words, as far as they go: `reject`, `not cloud`, `wider than 3`, `from 22:10`.

    Words that are no grade, fault or comparison are looked for in targets, filters and notes.
    """
    return _Reader(_WORDS.findall(text.lower()), {name.lower() for name in filters}).read()


class _Reader:
    def __init__(self, words: list[str], filters: set[str]) -> None:
        self.words, self.filters, self.at = words, filters, 0

    def read(self) -> Asked:
        terms: list[Term] = []
        negated = False
        while self.at < len(self.words):
            word = self._next()
            if word in ("not", "no", "without"):
                negated = True
                continue
            if word in ("and", "than", "with"):
                continue
            term = self._term(word)
            if term is None:
                wanted = "a time, such as 22:10" if word in (*SINCE, *UNTIL) else "a number"
                return Asked(tuple(terms), f"“{word}” still wants {wanted}")
            terms.append(_opposite(term) if negated else term)
            negated = False
        return Asked(tuple(terms), "“not” what?" if negated else "")

    def _next(self) -> str:
        self.at += 1
        return self.words[self.at - 1]

    def _peek(self, ahead: int = 0) -> str:
        return self.words[self.at + ahead] if self.at + ahead < len(self.words) else ""

    def _term(self, word: str) -> Term | None:
        """Read one term; None when a number is still to come."""
        if word in COMPARED:
            about, column = COMPARED[word]
            return self._with_number(about, column)
        if word in MEASURE_WORDS and self._peek() in COUNTED:
            return self._with_number(COUNTED[self._next()], MEASURE_WORDS[word])
        if word in COUNTED:
            return self._count(word)
        if word in (*SINCE, *UNTIL):
            return self._clock(word)
        return self._plain(word)

    def _clock(self, word: str) -> Term | None:
        """Read a time of day, or two; with one, what is meant ends or began half a day away."""
        found = _seconds(self._peek())
        if found is None:
            self.at = len(self.words)
            return None
        self.at += 1
        if word in UNTIL:
            return Term("clock", number=(found[1] - HALF_DAY_S) % DAY_S, until=found[1])
        until = (found[0] + HALF_DAY_S) % DAY_S
        if self._peek() in UNTIL:
            later = _seconds(self._peek(1))
            if later is None:
                self.at = len(self.words)
                return None
            self.at += 2
            until = later[1]
        return Term("clock", number=found[0], until=until)

    def _with_number(self, about: str, column: str) -> Term | None:
        if self._peek() == "than":
            self.at += 1
        if not _NUMBER.match(self._peek()):
            self.at = len(self.words)
            return None
        return Term(about, column=column, number=float(self._next()))

    def _count(self, word: str) -> Term | None:
        """Read `fewer than 50 stars`."""
        term = self._with_number(COUNTED[word], "stars")
        if term is None or self._peek() not in MEASURE_WORDS:
            return term
        return Term(term.about, column=MEASURE_WORDS[self._next()], number=term.number)

    def _plain(self, word: str) -> Term:
        if word.startswith('"') and word.endswith('"') and len(word) > 2:
            name = word.strip('"')
            return Term("filter" if name in self.filters else "target", name)
        if word in self.filters:
            return Term("filter", word)
        if _DATE.match(word):
            return Term("night", word)
        if word in ("mine", "marked"):
            return Term("person")
        if word in ("noted", "note"):
            return Term("noted")
        for about, words in (("grade", GRADE_WORDS), ("fault", FAULT_WORDS)):
            found = _meant(word, words)
            if found:
                return Term(about, found)
        folded = fold_filter(word, {})
        if folded and folded.lower() in self.filters:
            return Term("filter", folded.lower())
        return Term("text", word)


def _seconds(word: str) -> tuple[int, int] | None:
    """Read a time of day as its first and last second: 22:10 lasts a minute."""
    found = _CLOCK.match(word)
    if found is None:
        return None
    hour, minute, second = found.groups()
    start = int(hour) * 3600 + int(minute) * 60 + int(second or 0)
    return start, start + (0 if second else 59)


def _meant(word: str, words: dict[str, str]) -> str | None:
    """Find the one thing a word or its beginning can mean."""
    if word in words:
        return words[word]
    if len(word) < SHORTEST_START:
        return None
    found = {meaning for full, meaning in words.items() if full.startswith(word)}
    return found.pop() if len(found) == 1 else None


def _opposite(term: Term) -> Term:
    return replace(term, negated=True)


def filters_known(engine: Engine) -> list[str]:
    """List the filters there are, for reading the words."""
    with reading(engine) as connection:
        return store.filter_names(connection)
