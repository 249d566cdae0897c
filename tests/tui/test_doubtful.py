"""The queue: only what needs a person, one key a decision, blocks of short frames."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from hypothesis import given
from hypothesis import strategies as st
from textual.pilot import Pilot

from runlog.actions.queue import Case, doubtful_cases, fold
from runlog.core.frame import Fault, FaultName, Frame, Grade
from runlog.core.selection import Selection
from runlog.store.engine import open_engine
from tests.core.runs import altered, blank

from .conftest import Running, press, rest

START = datetime(2026, 10, 16, 20, tzinfo=UTC)


def fault(name: str) -> Fault:
    """A fault that makes a frame doubtful."""
    return Fault(FaultName(name), Grade.DOUBTFUL, "dim")


def line(number: int, **given: Any) -> Frame:
    """A doubtful frame of five seconds."""
    values: dict[str, Any] = {
        "id": number,
        "auto_grade": Grade.DOUBTFUL,
        "grade": Grade.DOUBTFUL,
        "graded_by": "auto",
        "faults": (fault("cloud"),),
        "run_id": 1,
    }
    start = START + timedelta(seconds=6 * number)
    return altered(blank(str(number), start, 5.0, "M 31", "L"), **(values | given))


def left_words(pilot: Pilot[Any]) -> str:
    """What the heading of the queue says."""
    return str(pilot.app.screen.query_one("#left-over").content)  # type: ignore[attr-defined]


async def test_a_night_of_71_frames_with_12_doubtful_takes_under_25_keys(running: Running) -> None:
    """3, twelve decisions, q: fourteen keys from opening to leaving, and all are decided."""
    keys = ["3", *"yryryryryryr"]
    async with running() as pilot:
        for at, key in enumerate(keys):
            await press(pilot, key)
            assert f"{12 - at} of 12 left" in left_words(pilot) or at == 12
        assert "all 12 decided" in left_words(pilot)
        assert pilot.app.session.open_count == 0  # type: ignore[attr-defined]
    assert len(keys) + 1 < 25


async def test_pressing_fast_decides_each_frame_once(running: Running, database: Path) -> None:
    """Keys that come quicker than the database answers each decide the frame that was in view."""
    async with running() as pilot:
        await press(pilot, "3")
        await pilot.press(*"yryryryryryr")
        await rest(pilot)
    cases = doubtful_cases(open_engine(str(database)), Selection(run_id=3))
    assert [case.head.judgement.grade for case in cases] == ["keep", "reject"] * 6
    assert all(case.decided for case in cases)


async def test_undo_turns_back_to_the_frame(running: Running) -> None:
    """u brings back the frame that was decided last, open again."""
    async with running() as pilot:
        await press(pilot, "3", "y", "r")
        assert pilot.app.screen.at == 2  # type: ignore[attr-defined]
        await press(pilot, "u")
        assert pilot.app.screen.at == 1  # type: ignore[attr-defined]
        assert "11 of 12 left" in left_words(pilot)


async def test_what_was_decided_stays_decided_after_leaving(running: Running) -> None:
    """11 of 12 are left when one comes back: the count is the database's."""
    async with running() as pilot:
        await press(pilot, "3", "y")
    async with running() as pilot:
        await press(pilot, "3")
        assert "11 of 12 left" in left_words(pilot)


async def test_a_night_without_doubt_says_so(running: Running, built_short: Path) -> None:
    """An empty queue is a sentence, not an empty screen, and its keys do nothing bad."""
    async with running() as pilot:
        screen = pilot.app.screen
        await press(pilot, "3")
        screen = pilot.app.screen
        screen.cases = []  # type: ignore[attr-defined]
        screen.present()  # type: ignore[attr-defined]
        await press(pilot, "y", "space", "w", "n", "plus", "b", "e", "f")
        assert "No frame of this night waits for a decision" in left_words(pilot)


async def test_three_thousand_short_frames_are_a_few_decisions(
    running: Running, built_short: Path, tmp_path: Path
) -> None:
    """600 doubtful frames of five seconds fold; one key decides a block, w takes it apart."""
    import shutil

    path = Path(shutil.copy(built_short, tmp_path / "short.sqlite"))
    async with running(path=path) as pilot:
        await press(pilot, "3")
        screen: Any = pilot.app.screen
        assert len(screen.cases) < 10
        assert "a block of 250 frames" in left_words(pilot)
        assert sum(len(case.frames) for case in screen.cases) == 600
        folded = len(screen.cases)
        await press(pilot, "w")
        assert len(screen.cases) == folded - 1 + 250
        await press(pilot, "w", *"r" * folded)
        assert screen.left() == 0
        assert pilot.app.session.open_count == 0  # type: ignore[attr-defined]


shorts = st.lists(
    st.tuples(st.integers(0, 400), st.sampled_from(["cloud", "soft"]), st.sampled_from("LR")),
    max_size=40,
)


@given(shorts)
def test_folding_loses_and_doubles_nothing(drawn: list[tuple[int, str, str]]) -> None:
    """Every frame is in exactly one case, in order, and a block is of one kind throughout."""
    seconds = 0
    lines = []
    for number, (gap, trouble, name) in enumerate(drawn):
        seconds += gap
        moment = START + timedelta(seconds=seconds)
        lines.append(line(number, taken_at_utc=moment, filter=name, faults=(fault(trouble),)))
    cases = fold(lines)
    assert [frame for case in cases for frame in case.frames] == lines
    for case in cases:
        assert len({(f.context.filter, f.judgement.faults) for f in case.frames}) == 1
        assert len(case.frames) == 1 or len(case.frames) >= 3


def test_long_frames_and_undated_ones_stand_alone() -> None:
    """Minutes of exposure deserve a look each, and without a time there is no next to it."""
    long = [line(i, exposure_s=300.0) for i in range(5)]
    undated = [line(i, taken_at_utc=None) for i in range(5)]
    unknown = [line(i, exposure_s=None) for i in range(5)]
    for lines in (long, undated, unknown):
        assert fold(lines) == [Case((frame,)) for frame in lines]


def test_a_block_is_decided_when_all_of_it_is() -> None:
    """A block with one frame open is open."""
    lines = [line(i, graded_by="person") for i in range(3)]
    assert Case(tuple(lines)).decided
    assert not Case((*lines[:2], altered(lines[2], graded_by="auto"))).decided


async def test_full_resolution_reaches_the_pixel(running: Running, database: Path) -> None:
    """With the file there, f looks so close that a dot is a pixel, and + no closer than helps."""
    import numpy as np
    from astropy.io import fits

    folder = database.parent / "frames"
    folder.mkdir()
    async with running() as pilot:
        await press(pilot, "3")
        screen: Any = pilot.app.screen
        path = screen._seen().sight.paths[0][0].decode()
        there = folder / Path(path).name
        fits.PrimaryHDU(np.full((640, 960), 900, np.uint16)).writeto(there)
        with open_engine(str(database)).begin() as connection:
            from sqlalchemy import text

            connection.execute(
                text("UPDATE mount SET path = :new"), {"new": bytes(str(folder), "utf-8")}
            )
        await press(pilot, "f")
        view = screen.view
        assert view.full is not None and view.full.trouble is None
        assert view._window().width <= view.size.width
        await press(pilot, *["plus"] * 12)
        assert view._window().width >= view.size.width / 16
