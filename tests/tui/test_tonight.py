"""The fifth place: the plan of the coming night, with the facts of the command."""

import json
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from rich.cells import cell_len
from sqlalchemy import Engine
from textual.app import App

from runlog.actions.goals import Wish, wish
from runlog.config import Settings, load_settings
from runlog.core.ledger.goals import GoalForm
from runlog.core.times import Zone
from runlog.store.engine import open_engine
from runlog.tui import tonight_screen
from runlog.tui.app import ReviewApp
from runlog.tui.session import Session

from .conftest import Running, disposing, press, rest
from .nights import with_second_rig

NOW = datetime(2026, 10, 20, 14, tzinfo=UTC)


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A config file that names a site."""
    file = tmp_path / "config.toml"
    file.write_text("[site]\nlatitude_deg = 50.1\nlongitude_deg = 14.4\n")
    return file


def command(database: Path | str, config: Path, *words: str) -> str:
    """Run runlog as a person does."""
    named = ["--db", str(database), "--config", str(config)]
    line = [sys.executable, "-m", "runlog", *named, *words]
    return subprocess.run(line, capture_output=True, text=True, check=True).stdout


def wanted(engine: Engine, *wishes: Wish) -> None:
    """Set goals."""
    for one in wishes:
        wish(engine, Settings(), one, "mia")


@pytest.fixture
def app(
    database: Path | str, config: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> Iterator[ReviewApp]:
    """The interface at a site, on an afternoon in October, with two goals."""
    engine = open_engine(str(database))
    wanted(engine, Wish("M 31", "Ha", GoalForm.HOURS, 9.0),
           Wish("M 42", "L", GoalForm.HOURS, 3.0, new=True))  # fmt: skip
    monkeypatch.setattr(tonight_screen, "now", lambda: NOW)
    session = Session(engine, load_settings(config), who="mia", database=str(database),
                      state_file=tmp_path / "state.json", config=config)  # fmt: skip
    with disposing(ReviewApp(session)) as app:
        yield app


def told(app: App[Any], part: str) -> str:
    return str(app.screen.query_one(f"#plan_{part}").render())


@pytest.mark.both_databases
async def test_the_plan_is_the_commands(app: ReviewApp, database: Path | str, config: Path) -> None:
    """Guards that screen and command say the same: blocks, strips in plan order, the heading."""
    plan = json.loads(command(database, config, "tonight", "--date", "2026-10-20", "--json"))
    async with app.run_test(size=(120, 40)) as pilot:
        await press(pilot, "5")
        await rest(pilot)
        assert "Night of 2026-10-20" in told(app, "head")
        rows = told(app, "rows")
        assert "of the best any order could give" in rows
        for block in plan["plan"]:
            assert f"{block['target']} {block['filter']}: {block['frames']} frame" in rows
        assert "▁" in rows or "▃" in rows
        assert "M 31 Ha" in told(app, "told") or "M 42 L" in told(app, "told")


@pytest.mark.both_databases
async def test_a_goal_that_is_set_is_planned_at_once(app: ReviewApp) -> None:
    """Set on the totals by keys: the plan beside it knows the goal, without a command between."""
    async with app.run_test(size=(120, 40)) as pilot:
        await press(pilot, "5")
        await rest(pilot)
        assert "M 31 L:" not in told(app, "rows")
        await press(pilot, "4")
        await rest(pilot)
        rows = [(row.total.target, row.total.filter) for row in app.screen.rows]  # type: ignore[attr-defined]
        await press(pilot, *["down"] * rows.index(("M 31", "L")), "g")
        await rest(pilot)
        await press(pilot, *"99h", "enter")
        await rest(pilot)
        await press(pilot, "5")
        await rest(pilot)
        assert "M 31 L" in told(app, "rows")


@pytest.mark.both_databases
async def test_enter_shows_the_next_nights_and_moving_goes_back(app: ReviewApp) -> None:
    """Guards Enter on a target: its next good nights, named by their evening."""
    async with app.run_test(size=(120, 40)) as pilot:
        await press(pilot, "5")
        await rest(pilot)
        await press(pilot, "enter")
        assert "Best of the next 60 nights" in told(app, "told")
        assert "2026-1" in told(app, "told")
        first = app.screen.at  # type: ignore[attr-defined]
        await press(pilot, "down")
        assert "Best of the next" not in told(app, "told")
        assert app.screen.at == first + 1  # type: ignore[attr-defined]
        await press(pilot, "up")
        assert app.screen.at == first  # type: ignore[attr-defined]


@pytest.mark.both_databases
async def test_times_are_by_the_sites_clock(app: ReviewApp) -> None:
    """Guards the plan against UTC standing alone: in October Prague is two hours ahead (tz
    database); the same dark begins at the same moment in both."""
    async with app.run_test(size=(120, 40)) as pilot:
        app.session.site_zone = Zone(ZoneInfo("Europe/Prague"))
        await press(pilot, "5")
        await rest(pilot)
        local = told(app, "head") + told(app, "rows") + told(app, "told")
        assert " CEST" in local and "UTC" not in local
        await press(pilot, "Z")
        in_utc = told(app, "head") + told(app, "rows") + told(app, "told")
        assert " UTC" in in_utc and "CEST" not in in_utc
        hours = [int(text.split("Dark from ")[1][:2]) for text in (local, in_utc)]
        assert hours[0] == hours[1] + 2


async def test_wide_names_stand_in_columns(app: ReviewApp) -> None:
    """Guards names of letters two cells wide (Unicode UAX 11): every strip ends in one column."""
    async with app.run_test(size=(120, 40)) as pilot:
        await press(pilot, "5")
        await rest(pilot)
        screen: Any = app.screen
        rows = [line.row | {"target": "三角座星系"} if i else line.row
                for i, line in enumerate(screen.lines)]  # fmt: skip
        screen.lines = [replace(line, row=row)
                        for line, row in zip(screen.lines, rows, strict=True)]  # fmt: skip
        drawn = [screen._line(i).plain for i in range(len(screen.lines))]
        assert len({cell_len(row) for row in drawn}) == 1 < len(drawn)


@pytest.mark.parametrize("size", [(40, 12), (80, 24), (160, 48)])
async def test_it_fits_any_terminal(app: ReviewApp, size: tuple[int, int]) -> None:
    """Guards small terminals: the plan is drawn, and every key on it answers."""
    async with app.run_test(size=size) as pilot:
        await press(pilot, "5")
        await rest(pilot)
        await press(pilot, "down", "down", "up", "enter", "enter", "4", "5")
        assert app.current_mode == "tonight"


@pytest.mark.both_databases
async def test_without_a_site_it_says_so(running: Running, monkeypatch: pytest.MonkeyPatch) -> None:
    """Guards frames that tell no place: the reason and the cure, not an empty screen."""
    monkeypatch.setattr(tonight_screen, "now", lambda: NOW)
    async with running(size=(100, 30)) as pilot:
        await press(pilot, "5")
        await rest(pilot)
        assert "The site is not known" in told(pilot.app, "head")
        assert "[site]" in told(pilot.app, "rows")


async def test_a_goal_that_two_rigs_serve(
    app: ReviewApp, database: Path | str, config: Path
) -> None:
    """Guards that the screen says what the command does: who serves it too, and the sum of all."""
    engine = open_engine(str(database))
    with_second_rig(engine)
    wanted(engine, Wish("M 31", "L", GoalForm.HOURS, 99.0))
    engine.dispose()
    plan = json.loads(command(database, config, "tonight", "--date", "2026-10-20", "--json"))
    async with app.run_test(size=(120, 40)) as pilot:
        await press(pilot, "5")
        await rest(pilot)
        rows = told(app, "rows")
        said = [block["why"].split("; ")[-1] for block in plan["plan"] if "too, " in block["why"]]
        assert len(said) == 2 and all(words in rows for words in said)
        names = [line.name for line in app.screen.lines]  # type: ignore[attr-defined]
        assert len(set(names)) == len(names)
        assert any(name.startswith("M 31 L, ") for name in names)
