"""The totals: the same hours as the command, the frames behind each, goals set in place."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import Engine, select
from textual.pilot import Pilot

from runlog.actions.review import listed
from runlog.actions.selecting import vocabulary
from runlog.actions.standing import standings, with_sums
from runlog.actions.totals import row_of
from runlog.config import load_settings
from runlog.core.plain_words import understand
from runlog.core.selection import Order, Selection
from runlog.store import models as m
from runlog.store.engine import open_engine, reading
from runlog.tui.totals_rows import lay_out, numbers_of
from runlog.tui.totals_screen import words_for

from .conftest import Running, disposing, make_app, press, rest
from .nights import with_mosaic

CONFIG = '[bands]\nDuo = ["Ha", "OIII"]\n[goals]\ncount_doubtful = true\n'


@pytest.fixture
def mosaic(database: Path) -> Path:
    """Three nights with a mosaic, a dual-band filter and a config that counts doubtful hours."""
    engine = open_engine(str(database))
    with_mosaic(engine)
    engine.dispose()
    database.with_suffix(".toml").write_text(CONFIG)
    return database


def command(database: Path, *words: str) -> Any:
    """Run runlog as a person does; returns what it says in JSON."""
    config = str(database.with_suffix(".toml"))
    line = [sys.executable, "-m", "runlog", "--db", str(database), "--config", config, *words]
    done = subprocess.run(line, capture_output=True, text=True, check=True)
    return json.loads(done.stdout) if "--json" in words else None


def test_the_screen_and_the_command_agree(mosaic: Path) -> None:
    """On one database and one config file every hour, goal and mosaic is the same in both."""
    command(mosaic, "goal", "NGC 7023", "L", "9")
    command(mosaic, "goal", "M 31", "Ha", "8", "--priority", "2")
    command(mosaic, "goal", "M 31", "L", "0.5", "--of", "Ha")
    told = command(mosaic, "totals", "--json")
    settings = load_settings(mosaic.with_suffix(".toml"))
    rows = standings(open_engine(str(mosaic)), settings)
    shown = {(r.total.target, r.total.filter): row_of(r.total) for r in rows if r.mosaic is None}
    for row in told["rows"]:
        assert shown.pop((row["target"], row["filter"])) == row
    assert all(row["logged_s"] == 0 and row["goal_s"] is None for row in shown.values())
    wholes = {(r.target, r.total.filter): r for r in rows if r.mosaic}
    assert len(told["mosaics"]) == len(wholes) == 2
    for mosaic_row in told["mosaics"]:
        row = wholes[mosaic_row["target"], mosaic_row["filter"]]
        assert (row.total.kept_s, row.goal_s, row.to_go_s) == (
            mosaic_row["kept_s"], mosaic_row["goal_s"], mosaic_row["to_go_s"])  # fmt: skip


def seconds_behind(engine: Engine, words: str) -> float:
    """Add up the exposures of the frames that some words list."""
    terms = understand(words, vocabulary(engine, load_settings(None))).terms
    ids = listed(engine, Selection(terms=terms), Order())
    with reading(engine) as connection:
        query = select(m.frame.c.exposure_s).where(m.frame.c.id.in_(list(ids)))
        return float(sum(connection.execute(query).scalars()))


def test_the_frames_behind_every_number_add_up_to_it(mosaic: Path) -> None:
    """Rows of mosaics, of panels and of dual-band filters too; effective hours are kept ones."""
    engine = open_engine(str(mosaic))
    rows = with_sums(standings(engine, load_settings(mosaic.with_suffix(".toml"))))
    assert sum(bool(row.summed) for row in rows) == 2
    seen = 0
    for row in rows:
        for number in numbers_of(rows):
            key = "kept_s" if number.key == "effective_s" else number.key
            if key == "credited_s" and not row.lenders:
                continue
            assert seconds_behind(engine, words_for(row, number)) == getattr(row.total, key)
            seen += getattr(row.total, key) > 0
    assert seen > 25


async def go(pilot: Pilot[Any], *keys: str) -> Any:
    """Open the totals."""
    await rest(pilot)
    await press(pilot, "4", *keys)
    return pilot.app.screen


def text_of(screen: Any, name: str) -> str:
    """What a part of the screen says."""
    return str(screen.query_one(f"#{name}").content)


async def test_each_target_has_its_sum(running: Running, mosaic: Path) -> None:
    """The row below a target's filters holds their sum, as of the command's rows; it has no goal of
    its own, and g says so."""
    mosaic.with_suffix(".toml").write_text("")
    command(mosaic, "goal", "M 31", "Ha", "8")
    command(mosaic, "goal", "M 31", "L", "9")
    rows = [r for r in command(mosaic, "totals", "--json")["rows"] if r["target"] == "M 31"]
    async with running() as pilot:
        screen = await go(pilot, "down", "down", "down")
        here = screen.here
        assert [s.total.filter for s in here.summed] == [r["filter"] for r in rows]
        for key in ("frames", "logged_s", "kept_s", "doubtful_s", "rejected_s", "effective_s"):
            assert getattr(here.total, key) == pytest.approx(sum(r[key] for r in rows))
        assert here.to_go_s == sum(r["to_go_s"] for r in rows if r["to_go_s"] is not None) > 0
        assert "M 31, all filters: " in text_of(screen, "told")
        await press(pilot, "g")
        assert "one filter" in pilot.app.session.said  # type: ignore[attr-defined]
        assert pilot.app.screen is screen
        await press(pilot, "enter")
        assert pilot.app.session.listing.words == '"M 31" keep'  # type: ignore[attr-defined]


async def test_a_mosaic_is_a_group(running: Running, mosaic: Path) -> None:
    """w puts its panels away and shows them again; the cursor stays with the mosaic."""
    async with running() as pilot:
        screen = await go(pilot, "down", "down", "down", "down")
        assert "A mosaic of 3 panels" in text_of(screen, "told")
        whole = len(screen.rows)
        await press(pilot, "w")
        assert len(screen.rows) == whole - 6
        assert screen.here.mosaic is not None
        assert "▸" in text_of(screen, "rows") and "panel" not in text_of(screen, "rows")
        await press(pilot, "w", "down", "w")
        assert screen.here.target == "NGC 7023"
        await press(pilot, "up", "w")
        assert "no mosaic" in pilot.app.session.said  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("8 h 30 min", "8 h 30 min wanted"),
        ("0.5 of L", "0.5 times L wanted (2 h 15 min)"),
        ("gain 2", "2 times today's signal to noise"),
        ("12, priority 2", "priority 2"),
    ],
)
async def test_goals_are_set_in_place(
    running: Running, mosaic: Path, typed: str, said: str
) -> None:
    """Hours, a ratio, a gain, a priority: the row says what holds now, or what was wrong."""
    async with running() as pilot:
        screen = await go(pilot, "down")
        await press(pilot, "g", *("space" if c == " " else c for c in typed), "enter")
        words = text_of(screen, "told").replace("\n", " ")
        assert said in words or said in pilot.app.session.said  # type: ignore[attr-defined]
        assert screen.here.total.filter == "Ha"


@pytest.mark.parametrize("width", [20, 40, 80, 100, 160, 300])
def test_rows_fit_any_width(mosaic: Path, width: int) -> None:
    """The number under the cursor is in sight, and from 48 cells on nothing runs over."""
    rows = standings(open_engine(str(mosaic)), load_settings(mosaic.with_suffix(".toml")))
    numbers = numbers_of(rows)
    for across, number in enumerate(numbers):
        layout = lay_out(rows, width, across)
        assert number in layout.shown
        used = layout.name + layout.filter + layout.bar + layout.left + 6
        used += len(layout.shown) * (layout.number + 1)
        assert used <= width or width < 48


async def test_hundreds_of_rows_scroll(database: Path) -> None:
    """Only what is in sight is drawn, and the cursor is always in it."""
    with disposing(make_app(database)) as app:
        async with app.run_test(size=(80, 24)) as pilot:
            screen = await go(pilot)
            screen.every = [row for row in screen.every for _ in range(200)]
            screen._unfold()
            for key in (*["down"] * 30, *["up"] * 12):
                await pilot.press(key)
            await rest(pilot)
            high = screen.query_one("#rows").size.height
            assert screen.top <= screen.at < screen.top + high
            assert text_of(screen, "rows").count("\n") == high - 1
            await pilot.click("#rows", offset=(4, 2))
            assert screen.at == screen.top + 2


async def test_a_small_terminal_shows_rows(running: Running, mosaic: Path) -> None:
    """At 20 x 5 the words below give way to the rows."""
    async with running(size=(20, 5)) as pilot:
        screen = await go(pilot)
        for _ in range(100):  # until the layout follows the size
            if text_of(screen, "rows").count("no goal") == 2:
                break
            await pilot.pause(0.02)
        assert not screen.query_one("#told").display
        assert screen.query_one("#rows").size.height == 2
        assert text_of(screen, "rows").count("no goal") == 2
