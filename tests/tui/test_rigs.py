"""Several rigs: all in view, or one of them, everywhere; with one rig there is no such key."""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import update
from textual.pilot import Pilot

from runlog.actions.goals import Wish, wish
from runlog.config import Settings
from runlog.core.charts import OF_OTHERS, TO_GO
from runlog.core.ledger.goals import GoalForm
from runlog.store import models as m
from runlog.store.engine import open_engine, writing
from runlog.tui import tonight_screen
from runlog.tui.keyline import KeyLine
from runlog.tui.keys import RIGS
from runlog.tui.totals_rows import BAR_SIGNS, bar

from .conftest import Running, press
from .nights import RIG, with_second_rig

HERON, WREN = RIG["name"], "Wren 60/360 + MonoCam 4"
SIZES = [(80, 24), (160, 48)]
OTHERS = BAR_SIGNS[OF_OTHERS]


@pytest.fixture
def two(database: Path) -> Path:
    """Three nights: the first and the last of Heron, the second of Wren."""
    engine = open_engine(str(database))
    with_second_rig(engine)
    engine.dispose()
    return database


def key_line(pilot: Pilot[Any]) -> str:
    """What the bottom line says."""
    line: Any = pilot.app.screen.query_one(KeyLine)
    return str(line.render())


def whole_line(pilot: Pilot[Any], width: int) -> str:
    """What it says, where help and the way out are there and nothing is cut."""
    line = key_line(pilot)
    assert " ? help " in line
    assert " q quit " in line
    assert len(line) <= width
    return line


def screen_of(pilot: Pilot[Any]) -> Any:
    """The screen in front."""
    return pilot.app.screen


def shown(pilot: Pilot[Any], part: str) -> str:
    """What a part of the screen in front says."""
    return str(screen_of(pilot).query_one(f"#{part}").render())


@pytest.mark.parametrize("size", SIZES)
async def test_every_place_says_which_rig_is_in_view(
    running: Running, two: Path, size: tuple[int, int]
) -> None:
    """Guards the bottom line: all rigs, or one by its name; the help is there."""
    async with running(size=size) as pilot:
        for name, places in (("all rigs", "123"), ("Heron 80/400", "456"), ("Wren 60/360", "63")):
            for place in places:
                await press(pilot, place)
                assert f" R {name}" in whole_line(pilot, size[0])
            await press(pilot, "R")
        assert " R all rigs" in key_line(pilot)


async def test_one_rig_has_no_such_key(running: Running) -> None:
    """Guards that nothing is shown and nothing changes for whoever has one rig."""
    async with running(size=(160, 48)) as pilot:
        session: Any = pilot.app.session  # type: ignore[attr-defined]
        before = key_line(pilot)
        assert "rigs" not in before
        await press(pilot, "R")
        assert (session.view.rig, session.said, key_line(pilot)) == ("", "", before)
        await press(pilot, "question_mark")
        assert RIGS.help not in str(screen_of(pilot).query_one("Static").content)


async def test_help_names_the_key(running: Running, two: Path) -> None:
    """Whoever has two rigs finds it."""
    async with running() as pilot:
        await press(pilot, "question_mark")
        assert RIGS.help in str(screen_of(pilot).query_one("Static").content)


@pytest.mark.both_databases
async def test_nights_are_those_of_the_rig(running: Running, two: Path) -> None:
    """The arrows walk over one rig's nights; back among all one stays on the same night."""
    async with running() as pilot:
        session: Any = pilot.app.session  # type: ignore[attr-defined]
        await press(pilot, "R", "left")
        assert [run.night for run in session.runs] == ["2026-10-02", "2026-10-16"]
        assert (session.here.night, session.here.rig) == ("2026-10-02", HERON)
        await press(pilot, "R")
        assert (session.here.night, session.here.rig) == ("2026-10-09", WREN)
        await press(pilot, "left", "R")
        assert session.here.night == "2026-10-09"
        assert len(session.runs) == 3


async def test_frames_and_doubtful_of_all_nights_are_those_of_the_rig(
    running: Running, two: Path
) -> None:
    """71 frames a night, 12 of them doubtful: two nights of one rig and one of the other."""
    async with running() as pilot:
        await press(pilot, "2", "A")
        for nights in (3, 2, 1):
            assert len(screen_of(pilot).table.ids) == 71 * nights
            await press(pilot, "R")
        await press(pilot, "3", "A")
        for nights in (3, 2, 1):
            assert sum(len(case.ids) for case in screen_of(pilot).cases) == 12 * nights
            await press(pilot, "R")


@pytest.mark.both_databases
@pytest.mark.parametrize("size", SIZES)
async def test_what_is_to_go_beside_one_rigs_hours_is_of_all_rigs(
    running: Running, two: Path, size: tuple[int, int]
) -> None:
    """The head and the words say so; the bar holds what the other rig gives towards the goal."""
    engine = open_engine(str(two))
    wish(engine, Settings(), Wish("M 31", "L", GoalForm.HOURS, 40.0), "mia")
    engine.dispose()
    async with running(size=size) as pilot:
        await press(pilot, "4")
        assert "all rigs" not in shown(pilot, "heads") and OTHERS not in shown(pilot, "rows")
        await press(pilot, "R", "R")  # one night of three
        at = next(i for i, row in enumerate(screen_of(pilot).rows) if row.goal)
        await press(pilot, *["down"] * at)
        assert "to go (all rigs)" in shown(pilot, "heads")
        assert "to go over all rigs" in shown(pilot, "told")
        row = screen_of(pilot).here
        drawn = bar(row, 400, screen_of(pilot).session.look).plain  # ten cells an hour
        others_s = row.total.over_all.counted_s - row.total.kept_s
        assert drawn.count(OTHERS) == pytest.approx(others_s / 360, abs=1) and others_s > 3600
        drawn_to_go = drawn.count(BAR_SIGNS[TO_GO]) + drawn.count(BAR_SIGNS["doubtful"])
        assert drawn_to_go == pytest.approx(row.to_go_s / 360, abs=1)
        assert OTHERS in shown(pilot, "rows")


async def test_totals_are_those_of_the_rig(running: Running, two: Path) -> None:
    """Guards the hours, and that the frames behind a number are the rig's as well."""
    async with running(size=(160, 48)) as pilot:
        await press(pilot, "4")
        logged = []
        for _ in range(3):
            logged.append(
                sum(row.total.logged_s for row in screen_of(pilot).rows if not row.summed)
            )
            await press(pilot, "R")
            assert pilot.app.session.open_count == 12  # type: ignore[attr-defined]
        assert logged == [3 * 71 * 300.0, 2 * 71 * 300.0, 71 * 300.0]
        await press(pilot, "R", "R")
        frames = screen_of(pilot).here.total.frames
        await press(pilot, "enter")
        assert 0 < len(screen_of(pilot).table.ids) <= frames


async def test_months_and_losses_are_those_of_the_rig(running: Running, two: Path) -> None:
    """Guards the lines of the rig's place, and that losses stay open when the rig changes."""
    async with running(size=(160, 48)) as pilot:
        await press(pilot, "6", "right", "right", "R", "R")
        assert {entry.rig for entry in screen_of(pilot).entries} == {WREN}
        await press(pilot, "R", "4", "l")
        whole = screen_of(pilot).sums["logged_s"]
        await press(pilot, "R", "R")
        assert screen_of(pilot).scope == "losses"
        assert screen_of(pilot).sums["logged_s"] == pytest.approx(whole / 3)


async def test_a_picture_of_another_rig_is_left(running: Running, two: Path) -> None:
    """A frame of a rig that is no longer in view is not decided on by the next key."""
    async with running() as pilot:
        await press(pilot, "2", "enter")
        assert screen_of(pilot).scope == "picture"
        await press(pilot, "R", "R")
        assert screen_of(pilot).scope == "frames"
        assert pilot.app.session.here.rig == WREN  # type: ignore[attr-defined]


async def test_the_rig_in_view_is_remembered(running: Running, two: Path) -> None:
    """The next visit begins with the same rig."""
    async with running() as pilot:
        await press(pilot, "R", "R", "q")
    async with running() as pilot:
        assert pilot.app.session.view.rig == WREN  # type: ignore[attr-defined]
        assert " R Wren 60/360" in key_line(pilot)


@pytest.mark.parametrize("size", SIZES)
async def test_rigs_at_two_sites_are_each_told_their_own_dark(
    running: Running, two: Path, size: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Guards rigs that stand apart: each has the dark of its site, in lines that fit."""
    engine = open_engine(str(two))
    with writing(engine) as connection:
        for rig_id, place in ((1, (50.1, 14.4)), (2, (-30.2, -70.8))):
            own = m.frame.c.run_id.in_([2] if rig_id == 2 else [1, 3])
            values = dict(zip(("latitude_deg", "longitude_deg"), place, strict=True))
            connection.execute(update(m.frame).where(own).values(values))
    engine.dispose()
    monkeypatch.setattr(tonight_screen, "now", lambda: datetime(2026, 10, 20, 14, tzinfo=UTC))
    async with running(size=size) as pilot:
        await press(pilot, "5")
        rows = str(pilot.app.screen.query_one("#plan_rows").render())
        lines = rows.splitlines()
        assert rows.count("Night of 2026-10-20. Dark from ") == 2
        darks = {line.split("Dark from ")[1][:14] for line in lines if "Dark from " in line}
        assert len(darks) == 2
        assert max(map(len, lines)) < size[0]
        await press(pilot, "R")
        head = str(pilot.app.screen.query_one("#plan_head").render())
        assert head.count("Dark from ") == 1
        assert "Dark from " not in str(pilot.app.screen.query_one("#plan_rows").render())
