"""The line of words: comparisons in any spelling, what is not understood, history, completion."""

from typing import Any

import pytest
from textual.pilot import Pilot
from textual.widgets import Input, Label

from runlog.actions.review import page
from runlog.core.plain_words import Vocabulary, understand
from runlog.core.published import value_of

from .conftest import Running, press, rest

KNOWN = Vocabulary({"ha": "Ha"}, {"m 31": "M 31"}, last_night="2026-10-16")
TIMES = {">": lambda v, n: v > n, "<": lambda v, n: v < n, ">=": lambda v, n: v >= n,
         "<=": lambda v, n: v <= n, "=": lambda v, n: v == n}  # fmt: skip


def keys_of(words: str) -> list[str]:
    """The keys that type some words."""
    names = {" ": "space", ">": "greater_than_sign", "<": "less_than_sign", "=": "equals_sign",
             ".": "full_stop", ":": "colon", "-": "minus", '"': "quotation_mark"}  # fmt: skip
    return [names.get(c, c) for c in words]


async def find(pilot: Pilot[Any], words: str) -> None:
    """Type words into the line, over what stands there, and leave it."""
    await press(pilot, "2", "slash", *keys_of(words), "enter")


def how_many(pilot: Pilot[Any]) -> str:
    """What stands beside the words."""
    return str(pilot.app.screen.query_one("#how-many", Label).content)


def why(pilot: Pilot[Any]) -> str:
    """What stands below the rows."""
    return str(pilot.app.screen.query_one("#why").content)


@pytest.mark.parametrize(
    ("words", "key", "sign", "number"),
    [("fwhm>2.45", "fwhm_px", ">", 2.45), ("ecc > 0.22", "eccentricity", ">", 0.22),
     ("0.22 < ecc", "eccentricity", ">", 0.22), ("stars<=260", "stars", "<=", 260),
     ("stars at most 260", "stars", "<=", 260), ("fwhm_px >= 3px", "fwhm_px", ">=", 3.0),
     ("length = 5 min", "exposure_s", "=", 300.0)],
)  # fmt: skip
async def test_comparisons_find_what_they_say(
    running: Running, words: str, key: str, sign: str, number: float
) -> None:
    """Each spelling finds what a loop over the night's frames finds."""
    async with running() as pilot:
        await press(pilot, "2")
        screen: Any = pilot.app.screen
        everything = page(pilot.app.session.engine, list(screen.table.ids))
        assert len(everything) == 71
        await find(pilot, words)
        wanted = {i for i, line in everything.items() if TIMES[sign](value_of(line, key), number)}
        assert set(screen.table.ids) == wanted
        assert len(wanted) > 0


@pytest.mark.parametrize(
    ("words", "said"),
    [("florp", "not understood: “florp”"), ("fhwm > 3", "not understood: “fhwm”"),
     ("fwhm > wide", "not understood: “wide”"), ("fwhm > 3min", "not understood: “min”"),
     ("filter = xyz", "no filter is called “xyz”")],
)  # fmt: skip
async def test_what_is_not_understood_is_said(running: Running, words: str, said: str) -> None:
    """A word that means nothing is named, and ways that mean something are offered."""
    async with running(size=(120, 40)) as pilot:
        await find(pilot, words)
        assert said in how_many(pilot)
        if words == "florp":
            assert "Words it knows" in why(pilot)


async def test_a_word_that_is_part_of_a_name_is_understood(running: Running) -> None:
    """Frames of no such grade are simply none; nothing is called not understood."""
    async with running() as pilot:
        await find(pilot, "7023 reject cloud")
        assert how_many(pilot).strip() == "0 frames"


@pytest.mark.both_databases
async def test_last_night_is_the_newest_whatever_night_is_in_view(running: Running) -> None:
    """From the first night, `last night` lists the last one."""
    async with running() as pilot:
        await press(pilot, "left", "left")
        await find(pilot, "last night")
        lines = page(pilot.app.session.engine, list(pilot.app.screen.table.ids))
        assert {line.context.run_id for line in lines.values()} == {3}
        assert len(lines) == 71


async def test_what_was_looked_for_comes_back(running: Running) -> None:
    """Up recalls, down comes on again, and a new start still knows."""
    async with running() as pilot:
        await find(pilot, "cloud")
        await find(pilot, "soft")
        await press(pilot, "slash", "up")
        line = pilot.app.screen.query_one(Input)
        assert line.value == "soft"
        await press(pilot, "up")
        assert line.value == "cloud"
        await press(pilot, "down")
        assert line.value == "soft"
        await press(pilot, "enter", "q")
    async with running() as pilot:
        await press(pilot, "2", "slash", "up", "up")
        assert pilot.app.screen.query_one(Input).value == "cloud"


async def test_words_are_offered_as_they_are_typed(running: Running) -> None:
    """The rest of a fault or a target's name is taken with the right arrow."""
    async with running() as pilot:
        await press(pilot, "2", "slash", *"defo", "right")
        line = pilot.app.screen.query_one(Input)
        assert line.value == "defocused"
        await press(pilot, "space", "quotation_mark", "n", "g", "right")
        assert line.value.lower() == 'defocused "ngc 7023"'
        await rest(pilot)


def test_a_label_before_a_name_is_no_name() -> None:
    """`filter = Ha` asks for the filter alone."""
    (term,) = understand("filter = Ha", KNOWN).terms
    assert (term.about, term.value) == ("filter", "Ha")
    (term,) = understand("last night", KNOWN).terms
    assert (term.about, term.value) == ("night", "2026-10-16")
