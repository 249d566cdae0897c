"""From an event of the night to the frames behind it, and back."""

from datetime import datetime, timedelta
from typing import Any

import pytest
from textual.pilot import Pilot

from runlog.actions.review import listed, report_of, run_lines, whole_run
from runlog.config import Settings
from runlog.core.frame import Frame
from runlog.core.plain_words import understand
from runlog.core.selection import Order, Selection
from runlog.core.story.model import Event
from runlog.store.engine import open_engine
from runlog.tui import night_screen
from runlog.tui.night_screen import stretch

from .conftest import Running, press, rest
from .test_keys import app_of, mode, screen
from .test_snapshots import told


def names(pilot: Pilot[Any]) -> set[str]:
    """The faults of the frames in the list."""
    lines = [screen(pilot).table.line_at(i) for i in range(len(screen(pilot).table.ids))]
    return {fault.name for line in lines for fault in line.judgement.faults}


async def test_event_to_frames_and_back(running: Running) -> None:
    """Enter on a chosen event lists just its frames; Escape leads back, with the list as before."""
    async with running() as pilot:
        await press(pilot, "2", "slash", *"keep", "enter", "1")
        await press(pilot, "e", "enter")
        assert mode(pilot) == "frames"
        assert len(screen(pilot).table.ids) == 6
        assert names(pilot) == {"cloud"}
        await press(pilot, "down", "enter", "escape")
        assert len(screen(pilot).table.ids) == 6
        await press(pilot, "escape")
        assert mode(pilot) == "night"
        assert screen(pilot).event == 0
        await press(pilot, "e", "enter")
        assert names(pilot) == {"trailed"}
        await press(pilot, "escape", "2")
        assert app_of(pilot).session.listing.words == "keep"
        await press(pilot, "escape")
        assert (mode(pilot), app_of(pilot).session.listing.words) == ("frames", "")


async def test_an_event_can_be_clicked(running: Running) -> None:
    """The mouse opens the frames of an event as well."""
    async with running(size=(160, 48)) as pilot:
        await pilot.click("#events", offset=(15, 1))
        await rest(pilot)
        assert mode(pilot) == "frames"
        assert names(pilot) == {"cloud"}


async def test_turning_the_night_lets_the_event_go(running: Running) -> None:
    """An event chosen in one night is not one of another."""
    async with running() as pilot:
        await press(pilot, "e", "e", "left")
        assert screen(pilot).event is None
        assert app_of(pilot).session.run_at == 1


def test_words_of_every_event_list_its_frames(built: Any) -> None:
    """Whatever the night tells of so many frames, its words find so many."""
    engine = open_engine(str(built))
    told = 0
    for run in run_lines(engine):
        report, lines = report_of(engine, Settings(), run), whole_run(engine, run.id)
        assert report is not None
        for event in report.events:
            words = understand(stretch(event, lines)).terms
            chosen = Selection(run_id=run.id, terms=words)
            assert len(listed(engine, chosen, Order())) == event.frames
            told += 1
    assert told >= 6


def test_a_pause_leads_to_the_frames_around_it(built: Any) -> None:
    """Nothing was taken in a pause: the frame before it and the one after are shown."""
    engine = open_engine(str(built))
    lines = whole_run(engine, 1)
    keys = lines[9].key, lines[10].key
    start, end = _end(lines[9]), lines[10].header.taken_at_utc
    assert end is not None
    gap = Event("pause", start, end, *keys, frames=0, cost_s=0.0, text="pause")
    chosen = Selection(run_id=1, terms=understand(stretch(gap, lines)).terms)
    assert list(listed(engine, chosen, Order())) == [lines[9].identity.id, lines[10].identity.id]


def _end(frame: Frame) -> datetime:
    assert frame.header.taken_at_utc
    return frame.header.taken_at_utc + timedelta(seconds=frame.header.exposure_s or 0.0)


async def test_words_about_keys_stay_where_these_keys_are(
    running: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What Enter and Escape do with an event is not said of another place, nor of no event."""
    monkeypatch.setattr(night_screen, "report_of", told)
    async with running() as pilot:
        session: Any = pilot.app.session  # type: ignore[attr-defined]
        for leaving in ("3", "escape"):
            await press(pilot, "1", "e")
            assert session.said == "Enter lists its frames   Esc lets go"
            await press(pilot, leaving)
            assert session.said == ""
