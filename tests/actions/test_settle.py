"""Settling: the same archive gives the same grades, whatever order it came in."""

import os
from datetime import UTC, datetime

import pytest
from sqlalchemy import event

from runlog.actions.frames import frame_rows
from runlog.actions.open import open_store
from runlog.actions.regrade import regrade
from runlog.actions.scan import scan
from runlog.config import Settings
from samples.maker.quick import make_run

SETTINGS = Settings(pedestal_adu=500.0)
EVENINGS = {
    "first": datetime(2026, 10, 9, 21, tzinfo=UTC),
    "second": datetime(2026, 10, 12, 21, tzinfo=UTC),
    "third": datetime(2026, 10, 15, 21, tzinfo=UTC),
}
WIDTHS = {"first": 2.4, "second": 2.2, "third": 3.8}


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    """Make three nights of one field; the third is wide throughout, the second has cloud."""
    base = tmp_path_factory.mktemp("archive")
    for name, start in EVENINGS.items():
        overrides = {i: {"fault": "cloud"} for i in (2, 3)} if name == "second" else {}
        make_run(base / name, frames=7, seed=11, size=(420, 560), start_utc=start,
                 fwhm_px=WIDTHS[name], overrides=overrides)  # fmt: skip
    return base


def scanned(archive, database, *batches):
    """Scan folders in some batches and give the rows, without what may differ."""
    engine = open_store(str(database), SETTINGS)
    for batch in batches:
        scan(engine, SETTINGS, [os.fsencode(archive / name) for name in batch], workers=2)
    rows = frame_rows(engine)
    return {r["fingerprint"]: {k: v for k, v in r.items() if k != "path"} for r in rows}


def test_order_and_batches_change_no_grade(archive, tmp_path):
    """Three nights at once, one by one, and backwards give equal rows to the last digit."""
    at_once = scanned(archive, tmp_path / "a.sqlite", ["first", "second", "third"])
    assert len(at_once) == 21
    backwards = scanned(archive, tmp_path / "b.sqlite", ["third"], ["second"], ["first"])
    assert all(row["effective_s"] for row in at_once.values() if row["grade"] == "keep")
    differing = {
        (key[:8], name, row[name], backwards[key][name])
        for key, row in at_once.items()
        for name in row
        if repr(backwards[key][name]) != repr(row[name])
    }
    assert differing == set()


def test_a_wide_night_is_measured_by_the_nights_before(archive, tmp_path):
    """Frames 1.6 times the rig's usual width are not kept, though their own night is uniform."""
    rows = scanned(archive, tmp_path / "c.sqlite", ["first", "second", "third"]).values()
    third = [r for r in rows if r["night"] == "2026-10-15"]
    assert len(third) == 7
    assert all(r["grade"] != "keep" for r in third)
    assert all("nights" in " ".join(r["evidence"].values()) for r in third)


def test_a_new_best_frame_rematches_the_nights_before(archive, tmp_path):
    """Throughput is against the best frame of all nights, so a better night moves the others."""
    engine = open_store(str(tmp_path / "d.sqlite"), Settings())
    scan(engine, Settings(), [os.fsencode(archive / "third")], workers=2)
    alone = {r["fingerprint"]: r["throughput"] for r in frame_rows(engine)}
    assert 1.0 in alone.values()
    scan(engine, Settings(), [os.fsencode(archive / "second")], workers=2)
    both = frame_rows(engine)
    assert [r["night"] for r in both if r["throughput"] == 1.0] == ["2026-10-12"]


def test_a_run_is_taken_before_its_sums_are_replaced(archive, tmp_path):
    """Two writers at one run: the second waits at the run's row, else both would add its sums.

    So it is with row locks, as PostgreSQL has them (its manual, 13.2.1); SQLite lets one write.
    """
    engine = open_store(str(tmp_path / "e.sqlite"), Settings())
    scan(engine, Settings(), [os.fsencode(archive / "first")], workers=2)
    said = []
    event.listen(engine, "before_cursor_execute", lambda *seen: said.append(seen[2]))
    regrade(engine, Settings(), everything=True)
    steps = ("settled_revision=", "DELETE FROM run_sum", "INSERT INTO run_sum")
    places = [next(n for n, words in enumerate(said) if step in words) for step in steps]
    assert places == sorted(places)
    engine.dispose()
