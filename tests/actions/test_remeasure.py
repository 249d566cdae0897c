"""A new version of the measurement: old numbers stay until the new ones are in, and are counted."""

import os
from datetime import UTC, datetime
from unittest.mock import patch

import numpy as np
import pytest
from sqlalchemy import select

from runlog.actions import scan as scan_action
from runlog.actions.check import check
from runlog.actions.correct import correct
from runlog.actions.frames import frame_rows
from runlog.actions.open import open_store, settle_behind
from runlog.actions.scan import scan
from runlog.actions.writer import Writer
from runlog.config import Settings
from runlog.core.selection import Selection
from runlog.ingest import read as read_module
from runlog.ingest.task import MEASURE_VERSION
from runlog.store import models as m
from runlog.store.engine import reading, writing
from samples.maker.quick import make_run
from tests.tools import mark_settled

PLAIN = Settings(pedestal_adu=500.0)

FRAMES = 6


@pytest.fixture
def night(tmp_path):
    """Scan six frames, then pretend that an earlier version had found other widths."""
    make_run(tmp_path / "frames", frames=FRAMES, size=(300, 400))
    engine = open_store(str(tmp_path / "x.sqlite"), PLAIN)
    scan(engine, PLAIN, [os.fsencode(tmp_path / "frames")], workers=1)
    yield engine
    engine.dispose()


def make_old(engine):
    """Give stored frames a version and a width that no measurement of today gives."""
    with writing(engine) as connection:
        old = {"measured_with": MEASURE_VERSION - 1, "fwhm_px": m.frame.c.fwhm_px * 1.01}
        connection.execute(m.frame.update().values(old))


def again(engine, tmp_path, **more):
    """Scan with --remeasure, a file at a time."""
    with patch.object(scan_action, "FEW", 100):
        return scan(engine, PLAIN, [], remeasure=True, **more)


def versions(engine):
    """Load the version that measured each frame."""
    with reading(engine) as connection:
        return list(connection.execute(select(m.frame.c.measured_with)).scalars())


def widths(engine):
    """Give the widths by fingerprint."""
    return {r["fingerprint"]: r["fwhm_px"] for r in frame_rows(engine)}


def table(engine, name):
    """Load a whole table."""
    with reading(engine) as connection:
        return connection.execute(select(m.metadata.tables[name])).all()


def old_finding(engine):
    """Give what check says of old measurements, if anything."""
    found = [f for f in check(engine, PLAIN, None) if f.about == "measurements"]
    return [(f.well, f.text.split()[0], f.cure) for f in found]


def test_check_counts_and_scan_measures_again(night, tmp_path):
    """Check names count and cure; the scan brings the numbers of now, marks and references stay."""
    before, rows = widths(night), frame_rows(night)
    mark_settled(night, PLAIN, [rows[0]["path"]], "reject", "mine", "tester")
    kept = [table(night, name) for name in ("mark", "header")]
    assert old_finding(night) == []
    make_old(night)
    assert old_finding(night) == [(False, str(FRAMES), "runlog scan --remeasure")]
    plain = scan(night, PLAIN, [])
    assert (plain.unchanged, plain.remeasured) == (FRAMES, 0)
    assert set(versions(night)) == {MEASURE_VERSION - 1}
    done = again(night, tmp_path)
    assert (done.remeasured, done.unchanged, done.new, done.measured_before) == (FRAMES, 0, 0, 0)
    assert widths(night) == before
    assert [table(night, name) for name in ("mark", "header")] == kept
    marked = [r for r in frame_rows(night) if r["graded_by"] == "person"]
    assert [(r["path"], r["grade"], r["note"]) for r in marked] == [
        (rows[0]["path"], "reject", "mine")
    ]
    assert old_finding(night) == []
    assert again(night, tmp_path).remeasured == 0


def test_what_is_gone_keeps_its_numbers(night, tmp_path):
    """Of a missing file the old numbers stay, and it is counted."""
    make_old(night)
    old = widths(night)
    gone = next(r for r in frame_rows(night))
    os.rename(gone["path"], tmp_path / "elsewhere")
    done = again(night, tmp_path)
    assert (done.remeasured, done.missing, done.measured_before) == (FRAMES - 1, 1, 1)
    now = widths(night)
    assert now[gone["fingerprint"]] == old[gone["fingerprint"]]
    assert sum(now[key] != old[key] for key in old) == FRAMES - 1
    os.rename(tmp_path / "elsewhere", gone["path"])
    assert again(night, tmp_path).measured_before == 0


def test_stopped_half_way(night, tmp_path):
    """Whatever was stored before the stop is of the new version, the rest is of the old one."""
    make_old(night)
    with patch.object(scan_action, "BATCH_FRAMES", 1):
        done = again(night, tmp_path, stop=lambda: versions(night).count(MEASURE_VERSION) >= 2)
    assert done.interrupted
    assert sorted(versions(night)) == [MEASURE_VERSION - 1] * (FRAMES - 2) + [MEASURE_VERSION] * 2
    assert again(night, tmp_path).remeasured == FRAMES - 2


def test_a_crash_half_way(night, tmp_path):
    """A batch is stored whole or not at all; what a crash leaves is settled and goes on."""
    make_old(night)
    before, calls, apply = widths(night), [], Writer._apply

    def failing(self, connection, frame, *more):
        calls.append(frame)
        if len(calls) == 4:
            raise KeyboardInterrupt
        return apply(self, connection, frame, *more)

    with (
        patch.object(scan_action, "BATCH_FRAMES", 2),
        patch.object(Writer, "_apply", failing),
        pytest.raises(KeyboardInterrupt),
    ):
        again(night, tmp_path)
    assert versions(night).count(MEASURE_VERSION) == 2
    settle_behind(night, PLAIN)
    assert sum(now != before[key] for key, now in widths(night).items()) == 2
    assert again(night, tmp_path).remeasured == FRAMES - 2
    assert old_finding(night) == []


def test_a_file_that_fails_this_time(night, tmp_path):
    """A file that cannot be read now leaves frame, file and numbers as they were."""
    make_old(night)
    before = (widths(night), table(night, "file"))
    with patch.object(read_module, "open_frame", side_effect=MemoryError):
        done = again(night, tmp_path)
    assert (len(done.failed), done.remeasured, done.measured_before) == (FRAMES, 0, FRAMES)
    assert (widths(night), table(night, "file")) == before


def test_a_corrected_kind_is_measured_as_such(night, tmp_path):
    """A frame that a person called a light is measured again as one, whatever its header says."""
    make_run(tmp_path / "odd", frames=1, seed=4, size=(300, 400), cards={"IMAGETYP": "Dark Frame"})
    scan(night, PLAIN, [os.fsencode(tmp_path / "odd")], workers=1)
    folder = Selection(folder=os.fsencode(tmp_path / "odd"))
    correct(night, PLAIN, "kind", "light", folder, "tester")
    before = widths(night)
    make_old(night)
    assert again(night, tmp_path).remeasured == FRAMES + 1
    assert widths(night) == before


def halve_fluxes(engine):
    """Let stored star lists be of an earlier version that summed half of the light."""
    with writing(engine) as connection:
        connection.execute(m.frame.update().values(measured_with=MEASURE_VERSION - 1))
        for row in connection.execute(select(m.star_list)).all():
            stars = np.frombuffer(row.stars, np.float32).reshape(-1, 3) * np.float32([1, 1, 0.5])
            own = m.star_list.c.frame_id == row.frame_id
            connection.execute(m.star_list.update().where(own).values(stars=stars.tobytes()))


def light(engine):
    """Give each frame's light against its reference, and what it banked."""
    rows = frame_rows(engine)
    return [value for r in rows for value in (r["throughput"], r["effective_s"])]


def test_a_reference_measured_later_than_its_frames(night, tmp_path):
    """Light is of one version on both sides once both are measured again, in every night."""
    week_later = datetime(2026, 10, 16, 21, tzinfo=UTC)
    make_run(tmp_path / "more", frames=2, seed=8, size=(300, 400), start_utc=week_later)
    scan(night, PLAIN, [os.fsencode(tmp_path)], workers=1)
    before = light(night)
    references = [r["path"] for r in frame_rows(night) if r["throughput"] == 1]
    halve_fluxes(night)
    away = {path: tmp_path / f"away_{n}" for n, path in enumerate(references)}
    for path in references:
        os.rename(path, away[path])
    others = FRAMES + 2 - len(references)
    assert again(night, tmp_path).measured_before == len(references)
    assert versions(night).count(MEASURE_VERSION) == others
    for path in references:
        os.rename(away[path], path)
    assert again(night, tmp_path).remeasured == len(references)
    assert light(night) == pytest.approx(before)
