"""runlog note: what was changed on a rig, as a person types it."""

import pytest

from runlog.store.engine import open_engine
from runlog.store.migrate import ready
from tests.measured import Night, outcomes, put
from tests.tools import here, runlog_json

NIGHTS = (Night("2026-10-01"), Night("2026-10-04"), Night("2026-10-08", times=1.7))


@pytest.fixture
def home(tmp_path):
    """A home with three nights of one rig, the last of them wide throughout."""
    engine = ready(open_engine(str(tmp_path / "night.sqlite")))
    for night in NIGHTS:
        put(engine, outcomes(night))
    engine.dispose()
    return tmp_path


def test_a_note_is_shown_with_its_night_and_changes_what_compares(home):
    """Noted, told what it did to which night, shown by night and nights, listed, taken back."""
    assert runlog_json(home, "night", "2026-10-08")["counts"]["keep"] == 0
    done = here(home, "note", "collimated", "--date", "2026-10-08")
    assert done.returncode == 0, done.stderr
    assert (
        "Noted for the night of 2026-10-08, Ladybird 90/540 + MonoCam 9: collimated" in done.stderr
    )
    assert "history: 12 frames of the night of 2026-10-08 are keep now" in done.stderr
    assert "noted: collimated" in here(home, "night", "2026-10-08").stdout
    assert "collimated" in here(home, "nights").stdout
    rows = runlog_json(home, "nights")["rows"]
    assert [row["noted"] for row in rows] == [["collimated"], [], []]
    undone = here(home, "note", "--undo")
    assert "Taken back: note 1" in undone.stderr
    assert "are doubtful now (soft: FWHM" in undone.stderr
    again = here(home, "note", "--undo", "2")
    assert "In force again" in again.stderr
    listed = runlog_json(home, "note")["rows"]
    assert [(row["id"], row["undoes"], row["stands"]) for row in listed] == [
        (1, None, True), (2, 1, False), (3, 2, True),
    ]  # fmt: skip
    assert "collimated" in here(home, "note").stdout


@pytest.mark.parametrize(
    "words",
    [
        ("note", " "),
        ("note", "x", "--date", "someday"),
        ("note", "x", "--rig", "nobody's"),
        ("note", "--undo", "7"),
        ("note", "--undo", "x"),
        ("note", "--undo"),
    ],
)
def test_what_cannot_be_noted_is_said(home, words):
    """A note without words, night, rig or number is wrong usage and changes nothing."""
    done = here(home, *words)
    assert done.returncode == 2, done.stderr
    assert runlog_json(home, "note")["rows"] == []


def test_several_rigs_are_asked_about(home):
    """Where there are several rigs a note must name one."""
    engine = open_engine(str(home / "night.sqlite"))
    put(engine, outcomes(Night("2026-10-02", cards=(("TELESCOP", "Moth 72/400"),))))
    engine.dispose()
    done = here(home, "note", "cleaned")
    assert done.returncode == 2
    assert "--rig" in done.stderr
    assert here(home, "note", "cleaned", "--rig", "moth", "--date", "2026-10-02").returncode == 0
    assert "cleaned" in here(home, "night", "2026-10-02").stdout
