"""The lines around a night's story: true of any night, and made once for all who lay them out."""

from datetime import UTC, datetime, timedelta

import pytest

from runlog.core.frame import Grade, Kind
from runlog.core.ledger.totals import Total
from runlog.core.story.model import Event, Pace
from runlog.core.story.phrases import report as say
from runlog.core.story.phrases.common import beside, of_frames, unknown
from runlog.core.story.report import NightReport

START = datetime(2026, 10, 9, 21, tzinfo=UTC)
NONE = dict.fromkeys(Grade, 0)


def night(counts=None, kept_s=0.0, logged_s=0.0, **more):
    """A night with one line of totals."""
    added = (Total("M 31", "L", kept_s=kept_s, logged_s=logged_s),) if counts else ()
    blank = {"dark": None, "pace": None, "lost": {}, "verdicts": {}, "events": ()}
    return NightReport("2026-10-09", None, "Heron", counts=NONE | (counts or {}), added=added,
                       **(blank | more))  # fmt: skip


def lines(*args, **more):
    """What is said of it."""
    return list(say.outcome(night(*args, **more)))


@pytest.mark.parametrize(
    ("counts", "kept_s", "logged_s", "words"),
    [
        ({Grade.KEEP: 1}, 300.0, 300.0, ["1 light frame: 1 keep", "5 min kept of 5 min"]),
        ({Grade.REJECT: 2}, 0.0, 600.0, ["2 light frames: 2 reject", "none of 10 min kept"]),
        (
            {Grade.KEEP: 2},
            0.0,
            0.0,
            [
                "2 light frames: 2 keep",
                "time kept unknown, because no light frame tells how long it was exposed",
            ],
        ),
        (
            {Grade.KEEP: 1, Grade.REJECT: 1},
            0.0,
            300.0,
            ["2 light frames: 1 keep, 1 reject", "none of 5 min kept"],
        ),
    ],
)
def test_what_a_night_was_worth(counts, kept_s, logged_s, words):
    """Guards "1 light frames" and a silent "0 s kept": what is not known is not called nothing."""
    assert lines(counts, kept_s, logged_s) == words


def test_a_night_without_lights():
    """Copies of frames that count elsewhere are not nothing."""
    assert lines() == ["no light frames"]
    assert lines(copies=2) == ["no light frames, only copies of exposures that count elsewhere"]


@pytest.mark.parametrize("kind", [k for k in Kind if k is not Kind.LIGHT])
def test_every_other_kind_has_a_plural(kind):
    """Guards "also: 2 stack"."""
    one, two = (lines(others=((kind, n),))[-1] for n in (1, 2))
    assert one.startswith(f"also: 1 {kind.value}")
    assert two == f"{one.replace('1', '2')}s"


def test_causes_dark_and_shutter():
    """Where time went, when it was dark and how much of the time was used stand in a line each."""
    dark = START - timedelta(hours=2), START + timedelta(hours=6, minutes=30)
    pace = Pace(START, START + timedelta(hours=1), 2700.0, 3600.0, 8.0)
    assert lines({Grade.KEEP: 9}, 2700.0, 3300.0, lost={"cloud": 400.0, "soft": 200.0},
                 dark=dark, pace=pace)[2:] == [
        "10 min not kept: 6 min 40 s cloud, 3 min 20 s soft",
        "dark from 19:00 to 03:30 UTC (8 h 30 min)",
        "frames from 21:00 to 22:00 UTC, shutter open 75% of that time",
    ]  # fmt: skip
    assert lines(doubt="unknown, as the clock is in doubt")[-1] == (
        "dark from when to when is unknown, as the clock is in doubt"
    )


def test_no_shutter_is_told_of_unknown_lengths():
    """Guards "shutter open 0%"."""
    assert lines(pace=Pace(START, START, 0.0, 0.0, None))[-1] == "frames from 21:00 to 21:00 UTC"


def happening(kind="cloud", minutes=10, frames=3, cost_s=0.0):
    return Event(kind, START, START + timedelta(minutes=minutes), "a", "b", frames, cost_s, "")


def test_when_and_what_an_event_cost():
    """One frame is one frame, a moment has no end, and a pause says by itself how long it was."""
    assert say.when(happening()) == "21:00–21:10"
    assert say.when(happening(minutes=0)) == say.when(happening("flip")) == "21:00"
    assert say.cost(happening()) == " (3 frames)"
    assert say.cost(happening(frames=1, cost_s=300.0)) == " (1 frame, 5 min not kept)"
    assert say.cost(happening("flip")) == say.cost(happening("pause", frames=0, cost_s=9e3)) == ""


def test_unknown_is_not_said_twice():
    """Guards "unknown unknown, because": the verdict's word stands beside its evidence."""
    assert beside("unknown", unknown("there are no lights")) == "because there are no lights"
    assert beside("good", "none of 5 frames trailed") == "none of 5 frames trailed"
    assert of_frames(0, 1, "trailed") == "none of 1 frame trailed"
