"""Plain words find what they say, in Python and in SQL alike."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import Engine, update

from runlog.actions.review import listed, page
from runlog.actions.selecting import vocabulary
from runlog.config import Settings
from runlog.core.frame import Frame
from runlog.core.plain_words import Vocabulary, understand
from runlog.core.published import value_of
from runlog.core.selection import Order, Selection, Term
from runlog.store import models as m
from runlog.store.engine import open_engine, writing

KNOWN = Vocabulary({"l": "L", "ha": "Ha"}, {"m 31": "M 31", "ngc 7023": "NGC 7023"})
Wanted = Callable[[Frame], bool]


@pytest.fixture(scope="module")
def engine(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Engine:
    """The three nights, with a note, a mark, and a frame that has no width."""
    path = tmp_path_factory.mktemp("words") / "nights.sqlite"
    shutil.copy(built, path)
    engine = open_engine(str(path))
    with writing(engine) as connection:
        f = m.frame.c
        connection.execute(update(m.frame).where(f.id == 1).values(fwhm_px=None))
        changes = {"note": "100% [red] plane", "graded_by": "person", "grade": "reject"}
        connection.execute(update(m.frame).where(f.id == 2).values(**changes))
    return engine


def has(name: str) -> Wanted:
    """Whether a frame has a fault."""
    return lambda line: any(fault.name == name for fault in line.judgement.faults)


def wide(line: Frame, least: float) -> bool:
    """Whether a frame's stars are wider; unknown is no."""
    return line.measurement.fwhm_px is not None and line.measurement.fwhm_px > least


def clock(line: Frame) -> str:
    """The time of day a frame was started, UTC."""
    return f"{line.header.taken_at_utc:%H:%M:%S}"


CASES: dict[str, Wanted] = {
    "": lambda line: True,
    "reject": lambda line: line.judgement.grade == "reject",
    "rej": lambda line: line.judgement.grade == "reject",
    "kept": lambda line: line.judgement.grade == "keep",
    "cloud": has("cloud"),
    "clouds": has("cloud"),
    "not cloud": lambda line: not has("cloud")(line),
    "doubtful not cloud": lambda line: (
        line.judgement.grade == "doubtful" and not has("cloud")(line)
    ),
    "wider than 3": lambda line: wide(line, 3),
    "not wider than 3": lambda line: not wide(line, 3),
    "wider 3": lambda line: wide(line, 3),
    "fwhm over 3.5": lambda line: wide(line, 3.5),
    "rounder than 0.21": lambda line: (line.measurement.eccentricity or 1) < 0.21,
    "fewer than 300 stars": lambda line: (line.measurement.stars or 0) < 300,
    "sky under 800": lambda line: (line.measurement.background_adu or 0) < 800,
    "ha": lambda line: line.context.filter == "Ha",
    "m 31 l": lambda line: line.context.target == "M 31" and line.context.filter == "L",
    '"m 31" "ha" keep': lambda line: (
        (line.context.target, line.context.filter, line.judgement.grade) == ("M 31", "Ha", "keep")
    ),
    "7023": lambda line: line.context.target == "NGC 7023",
    "mine": lambda line: line.judgement.graded_by == "person",
    "noted": lambda line: line.judgement.note is not None,
    "100%": lambda line: line.identity.id == 2,
    "[red]": lambda line: line.identity.id == 2,
    "2026-10-09": lambda line: line.context.run_id == 2,
    "from 23:00 to 0:30": lambda line: clock(line) >= "23:00:00" or clock(line) < "00:31:00",
    "after 23:00:15 before 0:30:00": lambda line: (
        clock(line) >= "23:00:15" or clock(line) <= "00:30:00"
    ),
    "before 20:00": lambda line: "08:00:59" <= clock(line) < "20:01:00",
    "after 0:10": lambda line: "00:10:00" <= clock(line) < "12:10:00",
    "not from 20:00 to 21:00": lambda line: not "20:00:00" <= clock(line) < "21:01:00",
    "nosuchword": lambda line: False,
}


@pytest.mark.parametrize("words", CASES)
def test_words_find_what_they_say(engine: Engine, words: str) -> None:
    """The database's answer is that of a loop over all frames."""
    everything = page(engine, listed(engine, Selection(), Order()))
    found = listed(engine, Selection(terms=understand(words, KNOWN).terms), Order())
    assert set(found) == {i for i, line in everything.items() if CASES[words](line)}


@pytest.mark.parametrize("column", ["fwhm_px", "eccentricity", "stars", "target", "grade"])
@pytest.mark.parametrize("descending", [False, True])
def test_order(engine: Engine, column: str, descending: bool) -> None:
    """Lists come in order, and frames without the value last, whichever way round."""
    ids = listed(engine, Selection(), Order(column, descending))
    lines = page(engine, ids)
    values = [value_of(lines[i], column) for i in ids]
    known = [v for v in values if v is not None]
    assert values == sorted(known, reverse=descending) + [None] * (len(values) - len(known))


@pytest.mark.parametrize(
    ("typed", "says"),
    [("wider", "wants a number"), ("wider than", "wants a number"), ("not", "what?"),
     ("fwhm over", "wants a number"), ("wider than x", "wants a number"),
     ("from", "wants a time"), ("from 22", "wants a time"), ("from 22:10 to", "wants a time"),
     ("until 25:00", "no time of day"), ("from 25:99", "no time of day")],
)  # fmt: skip
def test_half_typed_words_say_what_they_want(typed: str, says: str) -> None:
    """While one types, nothing is an error; what is missing is said."""
    asked = understand(typed, KNOWN)
    assert says in asked.waiting
    assert asked.terms == ()


def test_words_before_a_half_typed_one_hold() -> None:
    """`cloud wider` already finds cloud."""
    assert understand("cloud wider", KNOWN).terms == (Term("fault", "cloud"),)


@pytest.mark.parametrize("typed", ['"', '""', '"m 31', "%", "_", "\\", "'; drop table frame; --"])
def test_odd_letters_are_only_letters(engine: Engine, typed: str) -> None:
    """Quotes, wildcards and SQL are looked for as text."""
    listed(engine, Selection(terms=understand(typed, KNOWN).terms), Order())
    assert len(listed(engine, Selection(), Order())) == 213


def test_names_beyond_ascii_are_found_in_any_capitals(built: Path, tmp_path: Path) -> None:
    """SQLite lowers ASCII letters only: `ÖRTCHEN Ω` is found as typed and in small letters."""
    path = tmp_path / "nights.sqlite"
    shutil.copy(built, path)
    engine = open_engine(str(path))
    with writing(engine) as connection:
        for table in (m.frame, m.run_sum):
            named = update(table).where(table.c.target == "NGC 7023")
            connection.execute(named.values(target="ÖRTCHEN Ω"))
    lines = page(engine, listed(engine, Selection(), Order()))
    wanted = {i for i, line in lines.items() if line.context.target == "ÖRTCHEN Ω"}
    assert wanted
    known = vocabulary(engine, Settings())
    for words in ('"ÖRTCHEN Ω"', '"örtchen ω"'):
        assert (
            set(listed(engine, Selection(terms=understand(words, known).terms), Order())) == wanted
        )
