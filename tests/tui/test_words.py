"""Plain words find what they say, in Python and in SQL alike."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import Engine, update

from runlog.actions.review import listed, page, understand
from runlog.store import models as m
from runlog.store.engine import open_engine, writing
from runlog.store.review import FrameLine, Order, Sieve, Term

FILTERS = ("L", "Ha")
Wanted = Callable[[FrameLine], bool]


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
    return lambda line: any(fault == name for fault, _ in line.faults)


def wide(line: FrameLine, least: float) -> bool:
    """Whether a frame's stars are wider; unknown is no."""
    return line.fwhm_px is not None and line.fwhm_px > least


CASES: dict[str, Wanted] = {
    "": lambda line: True,
    "reject": lambda line: line.grade == "reject",
    "rej": lambda line: line.grade == "reject",
    "kept": lambda line: line.grade == "keep",
    "cloud": has("cloud"),
    "clouds": has("cloud"),
    "not cloud": lambda line: not has("cloud")(line),
    "doubtful not cloud": lambda line: line.grade == "doubtful" and not has("cloud")(line),
    "wider than 3": lambda line: wide(line, 3),
    "not wider than 3": lambda line: not wide(line, 3),
    "wider 3": lambda line: wide(line, 3),
    "fwhm over 3.5": lambda line: wide(line, 3.5),
    "rounder than 0.21": lambda line: (line.eccentricity or 1) < 0.21,
    "fewer than 300 stars": lambda line: (line.stars or 0) < 300,
    "sky under 800": lambda line: (line.background_adu or 0) < 800,
    "ha": lambda line: line.filter == "Ha",
    "m 31 l": lambda line: line.target == "M 31" and line.filter == "L",
    '"m 31" "ha" keep': lambda line: (
        (line.target, line.filter, line.grade) == ("M 31", "Ha", "keep")
    ),
    "7023": lambda line: line.target == "NGC 7023",
    "mine": lambda line: line.graded_by == "person",
    "noted": lambda line: line.note is not None,
    "100%": lambda line: line.id == 2,
    "[red]": lambda line: line.id == 2,
    "2026-10-09": lambda line: line.run_id == 2,
    "nosuchword": lambda line: False,
}


@pytest.mark.parametrize("words", CASES)
def test_words_find_what_they_say(engine: Engine, words: str) -> None:
    """The database's answer is that of a loop over all frames."""
    everything = page(engine, listed(engine, Sieve(), Order()))
    found = listed(engine, Sieve(None, understand(words, FILTERS).terms), Order())
    assert set(found) == {i for i, line in everything.items() if CASES[words](line)}


@pytest.mark.parametrize("column", ["fwhm_px", "eccentricity", "stars", "target", "grade"])
@pytest.mark.parametrize("descending", [False, True])
def test_order(engine: Engine, column: str, descending: bool) -> None:
    """Lists come in order, and frames without the value last, whichever way round."""
    ids = listed(engine, Sieve(), Order(column, descending))
    lines = page(engine, ids)
    values = [getattr(lines[i], column) for i in ids]
    known = [v for v in values if v is not None]
    assert values == sorted(known, reverse=descending) + [None] * (len(values) - len(known))


@pytest.mark.parametrize(
    ("typed", "says"),
    [("wider", "wants a number"), ("wider than", "wants a number"), ("not", "what?"),
     ("fwhm over", "wants a number"), ("wider than x", "wants a number")],
)  # fmt: skip
def test_half_typed_words_say_what_they_want(typed: str, says: str) -> None:
    """While one types, nothing is an error; what is missing is said."""
    asked = understand(typed, FILTERS)
    assert says in asked.waiting
    assert asked.terms == ()


def test_words_before_a_half_typed_one_hold() -> None:
    """`cloud wider` already finds cloud."""
    assert understand("cloud wider", FILTERS).terms == (Term("fault", "cloud"),)


@pytest.mark.parametrize("typed", ['"', '""', '"m 31', "%", "_", "\\", "'; drop table frame; --"])
def test_odd_letters_are_only_letters(engine: Engine, typed: str) -> None:
    """Quotes, wildcards and SQL are looked for as text."""
    listed(engine, Sieve(None, understand(typed, FILTERS).terms), Order())
    assert len(listed(engine, Sieve(), Order())) == 213
