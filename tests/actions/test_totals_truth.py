"""Totals against sums made straight from the FITS headers with astropy."""

import os
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import delete

from runlog.actions import scan as scan_action
from runlog.actions.check import check
from runlog.actions.interpret import Interpreter
from runlog.actions.settle import settle_all
from runlog.actions.writer import Arrived, Writer
from runlog.config import Settings
from runlog.store import models as m
from runlog.store.engine import open_engine, writing
from runlog.store.frames import path_parts, stamp_of
from runlog.store.roots import Roots, make_root
from tests.archives import BEGIN, archives, logged, reads_of, seconds_in_files, truth, write_archive
from tests.tools import ROOT, logged_s, noise, scan_into, write_frame, write_run

PLAIN = Settings()


@pytest.fixture(scope="module")
def memory():
    """Give an empty database in memory, emptied again for every archive."""
    engine = open_engine("sqlite://")
    m.metadata.create_all(engine)
    yield engine
    engine.dispose()


def put_all(engine, reads, at_once):
    """Store frames in the order given, so many at once, as a scan would, and settle them."""
    reader = Interpreter(PLAIN)
    with writing(engine) as connection:
        for table in reversed(m.metadata.sorted_tables):
            connection.execute(delete(table))
        make_root(connection, b"/", Roots([]))
        roots = Roots.load(connection)
        arrived = [
            Arrived(
                stamp_of(roots, path, 1, 1),
                read,
                reader.parse(read.cards, read.shape, path_parts(path)),
            )
            for path, read in reads
        ]
        for batch in batched(arrived, at_once):
            Writer(PLAIN).put(connection, batch, BEGIN)
    settle_all(engine, PLAIN)


def batched(items, size):
    """Cut a list into parts of one size, the last one shorter."""
    return [items[start : start + size] for start in range(0, len(items), size)]


def agree(found, wanted):
    """Compare sums by target and filter, none missing, none added."""
    assert found == pytest.approx(wanted, abs=1e-6)


@settings(
    max_examples=int(os.environ.get("RUNLOG_ARCHIVES", "30")),
    suppress_health_check=list(HealthCheck),
)
@given(archives(14), st.randoms(use_true_random=False), st.integers(1, 16))
def test_random_archives(memory, shots, random, at_once):
    """Copies, rewritten headers, processed copies, spellings, in any order: each exposure once."""
    reads = reads_of(shots)
    random.shuffle(reads)
    put_all(memory, reads, at_once)
    agree(logged(memory), truth(shots))


@settings(max_examples=25, suppress_health_check=list(HealthCheck))
@given(archives(4))
def test_random_archives_as_files(tmp_path_factory, shots):
    """The same with real files, scanned as a person scans them."""
    home = tmp_path_factory.mktemp("archive")
    write_archive(home / "frames", shots)
    before = scan_action.FEW
    scan_action.FEW = 10_000  # in this process: two dozen pools would take a minute
    try:
        scan_into(home / "db.sqlite", home / "frames")
    finally:
        scan_action.FEW = before
    engine = open_engine(str(home / "db.sqlite"))
    try:
        agree(logged(engine), truth(shots))
    finally:
        engine.dispose()
        shutil.rmtree(home)


def test_the_committed_sample_set(tmp_path):
    """The small sample set adds up to its headers; focus frames and copies are not counted."""
    folder = ROOT / "samples" / "night"

    def counts(header, path):
        return "light" in header["IMAGETYP"].lower() and "focus" not in path.lower()

    wanted = seconds_in_files(folder, counts)
    assert wanted > 0
    scan_into(tmp_path / "db.sqlite", folder)
    assert logged_s(tmp_path / "db.sqlite") == wanted


def resave(path: Path) -> None:
    """Write a frame again with other header cards, as a program that adds its own would."""
    with fits.open(path) as hdus:
        pixels, header = hdus[0].data, hdus[0].header.copy()
    header["OBJECT"] = "Triangulum Galaxy"
    header["OBSERVER"] = "somebody else"
    header["HISTORY"] = "saved again"
    fits.PrimaryHDU(np.asarray(pixels), header).writeto(path, overwrite=True)


def test_copied_moved_and_resaved_trees_add_nothing(tmp_path):
    """A tree copied twice, moved, half of it re-saved: totals do not move by a second."""
    night = tmp_path / "rig" / "2026-10-09"
    write_run(night, 5)
    write_frame(night / "other.fits", noise(50), DATE__OBS="2026-10-09T23:30:00", FILTER="Ha")
    database = tmp_path / "db.sqlite"
    scan_into(database, tmp_path / "rig")
    before = logged_s(database)
    assert before == 6 * 300.0
    for place in ("backup", "laptop"):
        shutil.copytree(tmp_path / "rig", tmp_path / place)
        scan_into(database, tmp_path / place)
        assert logged_s(database) == before
    shutil.move(tmp_path / "rig", tmp_path / "moved")
    scan_into(database, tmp_path)
    assert logged_s(database) == before
    for path in sorted((tmp_path / "moved").rglob("*.fits"))[::2]:
        resave(path)
    scan_into(database, tmp_path)
    assert logged_s(database) == before


def test_copies_that_contradict_the_original_move_nothing(tmp_path):
    """Copies saved later with another target, filter, length and start: the original speaks.

    Totals by target and filter stay as they were, also when the original is moved away, and the
    check of health tells of the copies.
    """
    night = tmp_path / "rig" / "2026-10-09"
    write_run(night, 6)
    database = tmp_path / "db.sqlite"
    scan_into(database, tmp_path / "rig")
    before = logged(open_engine(str(database)))
    shutil.copytree(tmp_path / "rig", tmp_path / "backup")
    for path in sorted((tmp_path / "backup").rglob("*.fits"))[::2]:
        with fits.open(path) as hdus:
            pixels, header = hdus[0].data, hdus[0].header.copy()
        header["OBJECT"], header["FILTER"], header["EXPTIME"] = "M 31", "B", 999.0
        header["DATE-OBS"] = "2025-01-01T20:00:00"
        header["HISTORY"] = "saved again"
        fits.PrimaryHDU(pixels, header).writeto(path, overwrite=True)
    scan_into(database, tmp_path)
    assert logged(open_engine(str(database))) == before
    shutil.move(tmp_path / "rig", tmp_path / "elsewhere")
    scan_into(database, tmp_path)
    engine = open_engine(str(database))
    assert logged(engine) == before
    told = [finding.text for finding in check(engine, Settings(), None)]
    assert any("disagree about its start, length, target and filter" in text for text in told)
