"""Frames in folders named for rejects are proposed as marks, once."""

import pytest

from runlog.actions.frames import frame_rows
from runlog.actions.open import open_store
from runlog.actions.propose import in_reject_folder, mark_proposed, proposed
from runlog.config import Settings
from tests.tools import mark_settled, scan_into, write_run


@pytest.mark.parametrize(
    ("path", "named"),
    [
        (b"/a/2026-10-09/rejected/x.fits", True),
        (b"/a/Rejects/x.fits", True),
        (b"/a/_reject L/x.fits", True),
        (b"/a/bad frames/x.fits", True),
        (b"/a/bad/x.fits", True),
        (b"/a/Bad Homburg/x.fits", False),
        (b"/a/good/reject.fits", False),
        (b"/a/trashcan nebula/x.fits", False),
    ],
)
def test_only_folders_named_for_rejects(path, named):
    """The folder's own name decides, not the file's, and not a place that begins alike."""
    assert in_reject_folder(path) is named


def test_proposed_once(frames, database):
    """What lies there is proposed, marked when asked, and never proposed again."""
    write_run(frames / "good", 3)
    write_run(frames / "rejected", 2, first=10)
    scan_into(database, frames)
    engine = open_store(str(database), Settings())
    assert len(proposed(engine)) == 2
    assert mark_proposed(engine, "tester") == 2
    assert proposed(engine) == []
    marked = [r for r in frame_rows(engine) if r["graded_by"] == "person"]
    assert {r["grade"] for r in marked} == {"reject"}
    mark_settled(engine, Settings(), [r["path"] for r in marked], "auto", None, "tester")
    assert proposed(engine) == []
