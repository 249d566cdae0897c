"""What cost light: the rows of the command, as bars; one season, or all nights."""

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

from sqlalchemy import update
from textual.pilot import Pilot

from runlog.actions.losses import lost
from runlog.config import Settings
from runlog.core.selection import EVERYTHING
from runlog.store import models as m
from runlog.store.engine import open_engine, writing
from runlog.tui.losses_screen import BAR
from runlog.tui.seasons import nights_of

from .conftest import Running, press


def command(database: Path, *words: str) -> Any:
    """The losses as the command gives them."""
    line = [sys.executable, "-m", "runlog", "--db", str(database), "losses", "--json", *words]
    done = subprocess.run(line, capture_output=True, text=True, check=True)
    return json.loads(done.stdout)


def lines(pilot: Pilot[Any]) -> list[str]:
    """The rows on the screen."""
    return str(pilot.app.screen.query_one("#loss_rows").content).split("\n")


async def test_rows_and_sums_are_those_of_the_command(running: Running, database: Path) -> None:
    """Causes, hours and the sentence below are what `losses --season` says, in its order."""
    told = command(database, "--season", "2026-27")
    for start in ("1", "4"):
        async with running(size=(120, 40)) as pilot:
            await press(pilot, start, "l")
            screen: Any = pilot.app.screen
            assert screen.rows == told["rows"] and len(told["rows"]) > 1
            assert screen.sums == told["budget"]
            shown = lines(pilot)[1:]
            assert [line.split("  ")[0].strip() for line in shown] == [
                row["cause"] for row in told["rows"]
            ]
            bars = [line.count(BAR) for line in shown]
            most = max(row["lost_s"] for row in told["rows"])
            for row, bar in zip(told["rows"], bars, strict=True):
                assert abs(bar - max(bars) * row["lost_s"] / most) <= 0.5
            await press(pilot, "escape")
            assert pilot.app.screen.place == ("night" if start == "1" else "totals")


async def test_a_season_is_left_for_another_or_for_all_nights(
    running: Running, database: Path
) -> None:
    """Arrows turn to seasons that hold nights, A to all nights; there is none before the first."""
    engine = open_engine(str(database))
    with writing(engine) as connection:
        connection.execute(update(m.run).where(m.run.c.id == 1).values(night="2025-10-02"))
    async with running() as pilot:
        await press(pilot, "4", "l")
        for keys, words in (
            ((), "2026-27"), (("left",), "2025-26"), (("A",), ""), (("A", "right"), "2026-27"),
        ):  # fmt: skip
            await press(pilot, *keys)
            rows, _, _ = lost(engine, Settings(), nights_of(words) if words else EVERYTHING)
            assert pilot.app.screen.rows == rows  # type: ignore[attr-defined]
        await press(pilot, "right")
        assert "No night is stored of a season after" in pilot.app.session.said  # type: ignore[attr-defined]
    engine.dispose()


async def test_what_is_lost_follows_a_decision(running: Running, database: Path) -> None:
    """A frame that is rejected is among the losses at once, u takes it out again."""
    async with running() as pilot:
        await press(pilot, "2", "home", "4", "l")
        before = list(pilot.app.screen.rows)  # type: ignore[attr-defined]
        await press(pilot, "2", "r", "4")
        rejected = {r["cause"]: r["lost_s"] for r in pilot.app.screen.rows}  # type: ignore[attr-defined]
        assert rejected["marked by hand"] == 300.0
        await press(pilot, "u")
        assert pilot.app.screen.rows == before  # type: ignore[attr-defined]


async def test_it_fits_into_little_room(running: Running) -> None:
    """In 50 columns cause, hours and a bar are left; nothing is wider than the screen."""
    async with running(size=(50, 16)) as pilot:
        await press(pilot, "4", "l")
        for line in lines(pilot):
            assert len(line) <= 50
        assert "lost" in lines(pilot)[0]
        assert BAR in lines(pilot)[1]
