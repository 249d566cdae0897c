"""A login's own rigs and goals at a server: one more step of the key that chooses rigs."""

import secrets
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import insert, make_url, update
from textual.pilot import Pilot

from runlog.actions.club import Welcome, add
from runlog.actions.goals import Wish, wish
from runlog.config import Settings
from runlog.core.ledger.goals import GoalForm
from runlog.store import models as m
from runlog.store.engine import open_engine, writing
from runlog.store.permits import OBSERVER
from runlog.tui import tonight_screen
from runlog.tui.app import ReviewApp
from runlog.tui.in_view import ALL, MINE, InView
from runlog.tui.session import Session
from tests.servers import Server

from .conftest import disposing, press, rest
from .nights import RIG, with_second_rig
from .test_rigs import HERON, SIZES, WREN, key_line, screen_of, whole_line

STILT = "Stilt 50/250 + MonoCam 4"
MY_VIEW = "my rigs, my goals"

pytestmark = pytest.mark.parametrize("database", ["postgresql"], indirect=True)


@dataclass(frozen=True)
class Shared:
    """Three nights of three rigs at a server, and a login of it."""

    url: str  # of whoever keeps it all
    login: str
    folder: Path

    def lets_in(self, *rigs: str) -> None:
        """Make the login a member of some rigs."""
        engine = open_engine(self.url)
        add(engine, Welcome(self.login, OBSERVER, rigs))
        engine.dispose()

    def wishes(self, target: str, filter_name: str, hours: float, *, own: bool) -> None:
        """Set a goal: the login's own, or everybody's."""
        engine = open_engine(self.own_url if own else self.url)
        typed = Wish(target, filter_name, GoalForm.HOURS, hours)
        wish(engine, Settings(), typed, self.login, self.login if own else None)
        engine.dispose()

    @property
    def own_url(self) -> str:
        """Give the login's own address of the database."""
        mine = make_url(self.url).set(username=self.login)
        return mine.render_as_string(hide_password=False)

    @asynccontextmanager
    async def review(self, size: tuple[int, int] = (80, 24)) -> AsyncIterator[Pilot[Any]]:
        """Run the interface as the login."""
        engine = open_engine(self.own_url)
        state = self.folder / "state.json"
        session = Session(
            engine, Settings(), who=self.login, database=self.own_url, state_file=state
        )
        with disposing(ReviewApp(session)) as app:
            async with app.run_test(size=size) as pilot:
                await rest(pilot)
                yield pilot


@pytest.fixture
def shared(database: str, server: Server, tmp_path: Path) -> Iterator[Shared]:
    """Three nights: of Heron, of Wren and of Stilt."""
    engine, login = open_engine(database), f"mia_{secrets.token_hex(3)}"
    with_second_rig(engine)
    third = RIG | {"key": "stilt", "name": STILT, "telescope": "Stilt 50/250"}
    with writing(engine) as connection:
        connection.execute(insert(m.rig).values(**third, id=3))
        connection.execute(update(m.run).where(m.run.c.id == 3).values(rig_id=3))
    engine.dispose()
    server.run(f"CREATE ROLE {login} LOGIN")
    yield Shared(database, login, tmp_path)
    gone = open_engine(database)
    with writing(gone) as connection:
        connection.exec_driver_sql(f"DROP OWNED BY {login}")
    gone.dispose()
    server.run(f"DROP ROLE {login}")


def session_of(pilot: Pilot[Any]) -> Session:
    """The sitting behind the screens."""
    session: Session = pilot.app.session  # type: ignore[attr-defined]
    return session


async def views_of(pilot: Pilot[Any]) -> list[InView]:
    """What the key brings into view, once round."""
    found = []
    while True:
        found.append(session_of(pilot).view)
        await press(pilot, "R")
        if session_of(pilot).view == ALL:
            return found


@pytest.mark.parametrize("size", SIZES)
async def test_every_place_says_that_ones_own_are_in_view(
    shared: Shared, size: tuple[int, int]
) -> None:
    """After all rigs come one's own; each place's bottom line says so, and it fits."""
    shared.lets_in(HERON, WREN)
    async with shared.review(size) as pilot:
        assert " R all rigs" in key_line(pilot)
        await press(pilot, "R")
        assert session_of(pilot).said == f"In view: {MY_VIEW}"
        assert {run.rig for run in session_of(pilot).runs} == {HERON, WREN}
        for place in "123456":
            await press(pilot, place)
            assert f" R {MY_VIEW} " in whole_line(pilot, size[0])
        await press(pilot, "R")
        assert MY_VIEW not in key_line(pilot)


async def test_the_key_walks_all_then_mine_then_each(shared: Shared) -> None:
    """Guards the order, and that each rig can still be seen alone."""
    shared.lets_in(HERON, WREN)
    each = [InView(rig) for rig in sorted([HERON, WREN, STILT])]
    async with shared.review() as pilot:
        assert await views_of(pilot) == [ALL, MINE, *each]


@pytest.mark.parametrize("own", [(), (HERON, WREN, STILT)], ids=["none", "all"])
async def test_no_such_step_for_whoever_has_none_of_the_rigs_or_all(
    shared: Shared, own: tuple[str, ...]
) -> None:
    """A step that shows what the one before showed is left out."""
    shared.lets_in(*own)
    async with shared.review() as pilot:
        assert MINE not in await views_of(pilot)


async def test_frames_and_totals_are_those_of_ones_own_rigs(shared: Shared) -> None:
    """71 frames of 300 s a night: of two of the three rigs."""
    shared.lets_in(HERON, WREN)
    async with shared.review((160, 48)) as pilot:
        await press(pilot, "R", "2", "A")
        assert len(screen_of(pilot).table.ids) == 2 * 71
        await press(pilot, "4")
        rows = [row for row in screen_of(pilot).rows if not row.summed]
        assert sum(row.total.logged_s for row in rows) == 2 * 71 * 300.0


async def test_goals_are_ones_own(shared: Shared) -> None:
    """Everybody's goal and mine for one target and filter, each in its view; mine has its row
    although no rig of mine took a frame of it; setting one there sets mine, and undoing undoes it.
    """
    shared.lets_in(WREN)
    engine = open_engine(shared.url)
    with writing(engine) as connection:
        of_wren = m.frame.c.run_id == 2
        connection.execute(update(m.frame).where(of_wren).values(kind="dark"))
    engine.dispose()
    shared.wishes("M 31", "Ha", 8.0, own=False)
    shared.wishes("M 31", "Ha", 5.0, own=True)

    def wanted(pilot: Pilot[Any]) -> dict[str, float | None]:
        rows = screen_of(pilot).rows
        return {r.total.filter: r.goal_s for r in rows if r.target == "M 31" and r.goal}

    async with shared.review((160, 48)) as pilot:
        await press(pilot, "4")
        assert wanted(pilot) == {"Ha": 8 * 3600.0}
        await press(pilot, "R")
        assert wanted(pilot) == {"Ha": 5 * 3600.0}
        await press(pilot, "g")
        assert "a goal of my own" in str(pilot.app.screen.query("Static").first().render())
        await press(pilot, *["backspace"] * 8, "7", "enter")
        assert wanted(pilot) == {"Ha": 7 * 3600.0}
        assert "(your own)" in session_of(pilot).said
        await press(pilot, "u")
        assert wanted(pilot) == {"Ha": 5 * 3600.0}
        await press(pilot, "R", "R", "R", "R")
        assert session_of(pilot).view == ALL
        assert wanted(pilot) == {"Ha": 8 * 3600.0}


async def test_the_plan_of_the_night_is_for_ones_own_goals(
    shared: Shared, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The coming night is planned for my rigs and what I want."""
    shared.lets_in(HERON)
    shared.wishes("M 31", "L", 40.0, own=False)
    shared.wishes("M 31", "Ha", 50.0, own=True)
    engine = open_engine(shared.url)
    with writing(engine) as connection:
        here = {"latitude_deg": 50.1, "longitude_deg": 14.4}
        connection.execute(update(m.frame).values(**here))
    engine.dispose()
    monkeypatch.setattr(tonight_screen, "now", lambda: datetime(2026, 10, 20, 14, tzinfo=UTC))

    def planned(pilot: Pilot[Any]) -> set[tuple[str, str]]:
        return {(line.rig.rig.name, line.row["filter"]) for line in screen_of(pilot).lines}

    async with shared.review((160, 48)) as pilot:
        await press(pilot, "5")
        assert {name for _, name in planned(pilot)} == {"L"}
        await press(pilot, "R")
        assert planned(pilot) == {(HERON, "Ha")}


async def test_ones_own_view_is_remembered(shared: Shared) -> None:
    """The next visit begins with it, or with all rigs where it is no longer offered."""
    shared.lets_in(HERON, WREN)
    async with shared.review() as pilot:
        await press(pilot, "R", "q")
    async with shared.review() as pilot:
        assert session_of(pilot).view == MINE
        assert f" R {MY_VIEW} " in key_line(pilot)
        await press(pilot, "q")
    shared.lets_in(HERON, WREN, STILT)
    async with shared.review() as pilot:
        assert session_of(pilot).view == ALL
