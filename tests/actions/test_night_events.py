"""Events that rest on more than a run's own rows, from real files through a real database."""

import os
from datetime import timedelta
from pathlib import Path

import pytest
from astropy.io import fits

from runlog.actions.night import night_reports
from runlog.actions.open import open_store
from runlog.actions.scan import scan
from runlog.config import Settings
from runlog.core.selection import Selection
from runlog.core.story.model import Opinion, Part
from samples.maker.quick import START_UTC, make_run

LATER = timedelta(days=3)


def reports(database, *folders):
    """Scan folders and report every night, the oldest first."""
    engine = open_store(str(database), Settings())
    try:
        scan(engine, Settings(), [os.fsencode(f) for f in folders])
        nights = [f"{start:%Y-%m-%d}" for start in (START_UTC, START_UTC + LATER)][: len(folders)]
        return [night_reports(engine, Settings(), Selection(night=n))[0] for n in nights]
    finally:
        engine.dispose()


@pytest.mark.both_databases
@pytest.mark.parametrize(("by", "rotator"), [(0.0, 0.0), (2.3, 0.0), (180.0, 0.0), (2.3, 2.3)])
def test_a_camera_turned_between_nights(database, tmp_path, by, rotator):
    """The later night says so, at its first frame; half a turn and none at all say nothing.

    Nor does a turn that the header's rotator made.
    """
    size = {"frames": 6, "size": (400, 500), "seed": 4}
    make_run(tmp_path / "a", **size)
    later = {"start_utc": START_UTC + LATER, "fwhm_px": 2.5}  # equal pixels were one frame
    make_run(tmp_path / "b", **size, **later, rotation_deg=by)
    for path in tmp_path.glob("[ab]/*.fits"):
        fits.setval(path, "ROTATANG", value=50.0 + rotator * (path.parent.name == "b"))
    first, second = reports(database, tmp_path / "a", tmp_path / "b")
    assert [e for e in first.events if e.kind == "turned"] == []
    told = [e for e in second.events if e.kind == "turned"]
    if by != 2.3 or rotator == by:
        assert told == []
        return
    (event,) = told
    assert Path(event.first_path).name.endswith("0001.fits")
    assert event.text == (
        f"the camera stands turned by 2.3 degrees since the night of {START_UTC:%Y-%m-%d}: flats "
        "of before do not fit"
    )
    assert "the camera turned" in second.verdicts[Part.POINTING].evidence


def test_an_early_stop_is_told_to_the_frame(database, tmp_path):
    """Six frames of a whole night: the last file, the moment it ended, and the dark after it."""
    truths = make_run(tmp_path / "a", frames=6, size=(300, 400))
    (report,) = reports(database, tmp_path / "a")
    (event,) = [e for e in report.events if e.kind == "stopped"]
    last = max(truths, key=lambda t: t.start_utc)
    assert Path(event.first_path).name == Path(event.last_path).name == Path(last.path).name
    assert event.start == last.start_utc + timedelta(seconds=300)
    assert event.end == report.dark[1]
    assert event.cost_s == (event.end - event.start).total_seconds()
    assert report.verdicts[Part.SCHEDULE].verdict is Opinion.POOR
