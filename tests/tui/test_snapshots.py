"""How each screen looks at 80 x 24, 120 x 40 and 200 x 60; made anew with --snapshot-update."""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from textual.pilot import Pilot

from runlog.actions.review import whole_run
from runlog.core.frame import Grade
from runlog.core.ledger.totals import Total
from runlog.core.story.model import Opinion, Pace, Part, PartVerdict, ToCheck
from runlog.core.story.report import NightEvent, NightReport
from runlog.store.engine import open_engine
from runlog.tui import night_screen

from .conftest import make_app, press, rest
from .nights import with_sweep

SCREENS: dict[str, tuple[str, ...]] = {
    "night": (),
    "event": ("e",),
    "drilled": ("e", "enter"),
    "calendar": ("c",),
    "timeline": ("t", "space"),
    "frames": ("2", "down", "down", "space", "space", "end"),
    "found": ("2", "slash", *"doubtful", "space", *"not", "space", *"cloud", "enter"),
    "doubtful": ("3", "y"),
    "edges": ("3", "e"),
    "stars": ("3", *["space"] * 6),
    "compared": ("3", "space", "o", "b"),
    "picture": ("2", "end", "enter", "o"),
    "closer": ("2", "enter", "plus", "plus", "right"),
    "totals": ("4", "right"),
    "export": ("4", "e"),
    "losses": ("4", "l", "down"),
    "sweeps": ("6",),
    "months": ("6", "right", "right", "n"),
    "help": ("2", "question_mark"),
    "note": ("3", "n"),
}
WITH_SWEEP = ("sweeps", "months")
NIGHT_S = 21600.0
SIZES = ((80, 24), (120, 40), (200, 60))
SMALL_ONLY = (
    "found",
    "closer",
    "drilled",
)  # further states of screens that are there at both sizes
CASES = [(n, size) for n in SCREENS for size in SIZES if n not in SMALL_ONLY or size == SIZES[0]]


def told(engine: Any, _settings: Any, run: Any, _zone: Any = None) -> NightReport:
    """A story that does not change with the words of the one that tells it."""
    lines = whole_run(engine, run.id)
    cloud = [line for line in lines if any(f.name == "cloud" for f in line.judgement.faults)]
    starts = [line.header.taken_at_utc for line in lines if line.header.taken_at_utc]
    first, last = (line.header.taken_at_utc for line in (cloud[0], cloud[-1]))
    assert first
    assert last
    end = last + timedelta(seconds=300)
    event = NightEvent("cloud", first, end, cloud[0].key, cloud[-1].key, len(cloud), 1800.0,
                       "cloud: stars give 62% of their light")  # fmt: skip
    return NightReport(
        run.night, None, run.rig,
        dark=(datetime(2026, 10, 16, 18, tzinfo=UTC), datetime(2026, 10, 17, 4, tzinfo=UTC)),
        pace=Pace(starts[0], starts[-1], 0.9 * NIGHT_S, NIGHT_S, 8.0),
        counts={g: sum(line.judgement.grade == g for line in lines) for g in Grade},
        added=(Total("M 31", "L", kept_s=5400.0, doubtful_s=1800.0),),
        lost={"cloud": 1800.0, "soft": 1800.0},
        verdicts={
            Part.TRACKING: PartVerdict(Opinion.FAIR, "3 of 71 frames trailed"),
            Part.FOCUS: PartVerdict(Opinion.GOOD, "none of 71 frames out of focus"),
            Part.SKY: PartVerdict(Opinion.POOR, "12 of 71 frames under cloud or poor seeing"),
            Part.OPTICS: PartVerdict(Opinion.UNKNOWN, "needs the fields of several nights"),
        },
        events=(event,),
        to_check=(ToCheck(Part.SKY, "the forecast, and the Moon's hours against the plan"),),
    )  # fmt: skip


@pytest.mark.parametrize(("name", "size"), CASES, ids=[f"{n}-{w}x{h}" for n, (w, h) in CASES])
def test_screen(
    snap_compare: Any, database: Path, monkeypatch: pytest.MonkeyPatch, name: str,
    size: tuple[int, int],
) -> None:  # fmt: skip
    """The screen looks as it did when a person last looked at it."""
    if name in WITH_SWEEP:
        engine = open_engine(str(database))
        with_sweep(engine, 2, 11_400.0)
        engine.dispose()
    monkeypatch.setattr(night_screen, "report_of", told)

    async def go(pilot: Pilot[Any]) -> None:
        await rest(pilot)
        await press(pilot, *SCREENS[name])
        pilot.app.session.say("")  # type: ignore[attr-defined]
        pilot.app.cursor_blink = False  # type: ignore[attr-defined]
        for field in pilot.app.screen.query("Input"):
            field.cursor_blink = False  # type: ignore[attr-defined]
        await rest(pilot)

    assert snap_compare(make_app(database), run_before=go, terminal_size=size)


@pytest.mark.parametrize("name", ["night", "totals"])
def test_light(
    snap_compare: Any, database: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """The light shade reads on paper white."""
    monkeypatch.setattr(night_screen, "report_of", told)

    async def go(pilot: Pilot[Any]) -> None:
        await rest(pilot)
        await press(pilot, *SCREENS[name], "T")
        pilot.app.session.say("")  # type: ignore[attr-defined]
        await rest(pilot)

    assert snap_compare(make_app(database), run_before=go, terminal_size=(80, 24))
