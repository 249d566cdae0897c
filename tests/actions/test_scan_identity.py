"""One exposure counts once, however its files are copied, moved, packed or processed."""

import gzip
import os
import random
import shutil

import numpy as np
import pytest
from astropy.io import fits
from sqlalchemy import update

from runlog.actions.open import open_store
from runlog.actions.regrade import regrade
from runlog.config import Settings
from runlog.store import models as m
from runlog.store.engine import writing
from tests.tools import (
    LIGHT,
    content,
    header_of,
    logged_s,
    moment,
    noise,
    rows,
    scan_into,
    write_frame,
    write_run,
)

pytestmark = pytest.mark.both_databases


def resave(path, source, form):
    """Save a frame's pixels in another form with the same header."""
    data, header = fits.getdata(source), fits.getheader(source)
    for keyword in ("BZERO", "BSCALE"):
        header.remove(keyword, ignore_missing=True)
    if form == "rice":
        hdus = fits.HDUList(
            [fits.PrimaryHDU(), fits.CompImageHDU(data, header, compression_type="RICE_1")]
        )
        hdus.writeto(path)
    elif form == "gzip":
        path.write_bytes(gzip.compress(source.read_bytes()))
    else:
        fits.PrimaryHDU(data.astype(form), header).writeto(path)
    return path


def test_a_copy_elsewhere_is_the_same_frame(frames, database):
    """A backup in another folder is one frame with two paths."""
    write_run(frames / "night", 3)
    shutil.copytree(frames / "night", frames / "backup")
    report = scan_into(database, frames)
    assert (report.new, report.duplicate) == (3, 3)
    assert len(rows(database, "id")) == 3
    assert logged_s(database) == 900


@pytest.mark.parametrize(
    ("form", "suffix"),
    [
        ("gzip", ".fits.gz"),
        ("rice", ".fits.fz"),
        ("int32", ".fit"),
        ("float32", ".fts"),
        ("float64", ".FITS"),
    ],
)
def test_other_forms_are_the_same_frame(frames, database, form, suffix):
    """Packing and lossless re-saving change the file and not the frame."""
    source = write_frame(frames / "a.fits", noise())
    resave(frames / f"b{suffix}", source, form)
    report = scan_into(database, frames)
    assert report.failed == []
    assert (report.new, report.duplicate) == (1, 1)
    assert logged_s(database) == 300


@pytest.mark.parametrize("form", ["int32", "float32", "rice"])
def test_form_scanned_first_does_not_matter(frames, tmp_path, form):
    """The raw 16-bit header speaks for its frame, whichever form was scanned first."""
    first = write_frame(frames / "a.fits", noise())
    second = resave(frames / "b.fits", first, form)
    one, other = tmp_path / "one.sqlite", tmp_path / "other.sqlite"
    for path in (first, second):
        scan_into(one, path)
    for path in (second, first):
        scan_into(other, path)
    assert content(one) == content(other)


def test_headers_added_by_copies_do_not_depend_on_order(frames, tmp_path):
    """A copy whose header gives a saturation level measures the same in any order."""
    bright = noise()
    bright[10:14, 10:14] = 5000
    plain = write_frame(frames / "a.fits", bright)
    fuller = write_frame(frames / "b.fits", bright, SATURATE=4000, SITEELEV=300.0)
    one, other = tmp_path / "one.sqlite", tmp_path / "other.sqlite"
    for path in (plain, fuller):
        scan_into(one, path)
    for path in (fuller, plain):
        scan_into(other, path)
    assert content(one) == content(other)


def test_a_moved_file_is_the_same_frame(frames, database):
    """A night moved to another disk is not a second night, and its old place is not missed."""
    write_run(frames / "new", 3)
    scan_into(database, frames)
    os.rename(frames / "new", frames / "archive")
    report = scan_into(database, frames)
    assert (report.new, report.moved, report.missing) == (0, 3, 0)
    assert logged_s(database) == 900
    again = scan_into(database, frames)
    assert (again.unchanged, again.moved, again.missing) == (3, 0, 0)


def test_a_rewritten_header_in_place(frames, database):
    """A header corrected in the file changes what is said of the frame, not which frame it is."""
    path = write_frame(frames / "a.fits", noise(), OBJECT="M 31")
    scan_into(database, frames)
    fits.setval(path, "OBJECT", value="M 33")
    os.utime(path, (1, 1))
    report = scan_into(database, frames)
    assert (report.new, report.rewritten) == (0, 1)
    (row,) = rows(database, "target", "counted")
    assert tuple(row) == ("M 33", True)
    assert logged_s(database) == 300


def test_a_rewritten_header_in_a_copy(frames, database):
    """A copy with another header is the same frame; the fuller header speaks."""
    write_frame(frames / "a.fits", noise(), OBJECT=None)
    write_frame(frames / "b.fits", noise(), OBJECT="M 33", SITEELEV=300.0)
    scan_into(database, frames)
    (row,) = rows(database, "target", "elevation_m")
    assert tuple(row) == ("M 33", 300.0)


def test_a_header_with_another_start_leaves_its_old_night(frames, database):
    """A corrected clock moves a frame to its new night and leaves nothing behind."""
    path = write_frame(frames / "a.fits", noise())
    scan_into(database, frames)
    fits.setval(path, "DATE-OBS", value="2026-10-12T22:00:00")
    os.utime(path, (1, 1))
    scan_into(database, frames)
    assert logged_s(database) == 300
    (only,) = content(database)["sum"]
    assert "2026-10-12" in only


PROCESSED = {
    "calibrated": lambda raw: (raw.astype("f4") - 100.25, {"CALSTAT": "BDF"}),
    "calibrated to whole numbers": lambda raw: (raw - 100, {"CALSTAT": "BD"}),
    "debayered": lambda raw: (np.stack([raw, raw + 1, raw + 2]), {}),
}
LOST = {
    "nothing": {},
    "fraction of the start": {"DATE__OBS": "2026-10-09T22:00:00"},
    "camera": {"INSTRUME": None},
    "both": {"DATE__OBS": "2026-10-09T22:00:00", "INSTRUME": None},
}


@pytest.mark.parametrize("lost", LOST)
@pytest.mark.parametrize("how", PROCESSED)
def test_a_processed_version_is_not_a_second_exposure(frames, database, how, lost):
    """Calibrated and debayered versions add nothing, whatever their header lost; raw counts."""
    raw = noise()
    pixels, cards = PROCESSED[how](raw)
    processed = write_frame(frames / "a_processed.fits", pixels, **cards, **LOST[lost])
    for path in (processed, write_frame(frames / "raw.fits", raw)):  # processed first: the worst
        scan_into(database, path)
    assert logged_s(database) == 300
    assert {(r.stage, r.counted) for r in rows(database, "stage", "counted")} >= {("raw", True)}
    assert sum(r.counted for r in rows(database, "counted")) == 1


def test_a_stack_takes_nothing_from_its_first_frame(frames, database):
    """A stack dated and timed as its first frame does not stand in for it, nor count itself."""
    write_run(frames / "night", 3)
    write_frame(
        frames / "stack.fits", noise(99).astype("f4") + 0.5, DATE__OBS=moment(0), NCOMBINE=3
    )
    write_frame(frames / "stack16.fits", noise(98), DATE__OBS=moment(0), NCOMBINE=3)
    report = scan_into(database, frames)
    assert report.kinds == {"light": 3, "stack": 2}
    assert logged_s(database) == 900


def test_two_rigs_at_once_and_a_copy_at_the_edge(frames, database):
    """A second camera's frame two seconds away must not tear a raw frame from its copy."""
    cut = write_frame(frames / "cut.fits", noise(1) - 100, DATE__OBS=moment(2.0), CALSTAT="BD")
    raw = write_frame(frames / "raw.fits", noise(1), DATE__OBS=moment(2.9))
    other = write_frame(frames / "o.fits", noise(2), DATE__OBS=moment(0.0), INSTRUME="OneShot 2")
    for path in (raw, cut, other):
        scan_into(database, path)
    assert logged_s(database) == 600


@pytest.mark.parametrize("backwards", [False, True])
def test_two_cameras_of_one_model_start_together(frames, database, backwards):
    """Two telescopes with equal cameras expose at once: both count, a nameless copy does not."""
    paths = [
        write_frame(frames / "a.fits", noise(1), TELESCOP="Newton 200"),
        write_frame(frames / "b.fits", noise(2), TELESCOP="Refractor 80"),
        write_frame(frames / "c.fits", noise(1) - 100, TELESCOP=None, CALSTAT="BD"),
    ]
    for path in reversed(paths) if backwards else paths:
        scan_into(database, path)
    assert logged_s(database) == 600
    counted = {r.stage: r.counted for r in rows(database, "stage", "counted")}
    assert counted == {"raw": True, "calibrated": False}


def test_what_was_once_taken_for_a_copy_is_looked_at_again(frames, database):
    """Grading everything again also asks again which frame of an exposure counts."""
    for n, telescope in enumerate(("Newton 200", "Refractor 80")):
        path = write_frame(frames / f"{n}.fits", noise(n), TELESCOP=telescope)
        scan_into(database, path)
    engine = open_store(str(database), Settings())
    with writing(engine) as connection:  # as an earlier rule had it
        connection.execute(update(m.frame).where(m.frame.c.id == 2).values(counted=False))
    regrade(engine, Settings(), everything=True)
    engine.dispose()
    assert logged_s(database) == 600


def test_a_gone_file_still_counts(frames, database):
    """An unplugged disk changes no total; its frames show as missing until it is back."""
    write_run(frames / "night", 3)
    scan_into(database, frames)
    os.rename(frames / "night", frames.parent / "unplugged")
    report = scan_into(database, frames)
    assert (report.missing, report.away) == (0, 3)
    assert logged_s(database) == 900
    assert {missing for _, _, missing, _ in content(database)["file"]} == {True}
    assert scan_into(database, frames).away == 3
    os.rename(frames.parent / "unplugged", frames / "night")
    report = scan_into(database, frames)
    assert (report.unchanged, report.missing) == (3, 0)
    assert {missing for _, _, missing, _ in content(database)["file"]} == {False}


def test_a_gone_root_still_counts(frames, database):
    """A scan without folders says which one is gone, and its frames show as missing."""
    write_run(frames / "night", 2)
    scan_into(database, frames / "night")
    os.rename(frames / "night", frames / "elsewhere")
    report = scan_into(database)
    assert (report.missing, report.away) == (0, 2)
    ((path, why),) = report.problems
    assert path == os.fsencode(frames / "night")
    assert "is not there" in why
    assert logged_s(database) == 600


def test_scanning_again_changes_nothing(frames, database):
    """A second scan reads nothing and leaves every row as it was."""
    write_run(frames, 4)
    (frames / "bad.fits").write_bytes(b"no")
    scan_into(database, frames)
    before = content(database)
    report = scan_into(database, frames)
    assert (report.new, report.unchanged, len(report.failed)) == (0, 4, 1)
    assert content(database) == before


def a_messy_tree(folder):
    """Write lights, copies, processed versions, other spellings, calibration frames and rubbish."""
    paths = write_run(folder / "night", 6)
    raw = fits.getdata(paths[0])
    write_frame(folder / "cal" / "x_cal.fits", raw.astype("f4") - 0.5, CALSTAT="BD")
    write_frame(
        folder / "cal" / "late.fits", raw - 7, DATE__OBS="2026-10-09T22:00:00", INSTRUME=None
    )
    resave(folder / "cal" / "y.fits.fz", paths[1], "rice")
    resave(folder / "cal" / "z.fits", paths[2], "float32")
    write_frame(folder / "b" / "spelt.fits", noise(50), DATE__OBS=moment(4000), INSTRUME="monocam9")
    write_frame(folder / "b" / "flat.fits", noise(51), IMAGETYP="Flat", EXPTIME=2.0)
    write_frame(folder / "b" / "nowhere.fits", noise(52), DATE__OBS=moment(5000), SITELONG=None)
    write_frame(folder / "darks" / "silent.fits", noise(53), IMAGETYP=None, DATE__OBS=moment(6000))
    write_frame(folder / "b" / "silent.fits", noise(53), IMAGETYP=None, DATE__OBS=moment(6000))
    write_frame(folder / "b" / "stack.fits", noise(54), DATE__OBS=moment(0), NCOMBINE=9)
    write_frame(folder / "c" / "copy.fits", noise(3), DATE__OBS=moment(3 * 312), SATURATE=1010)
    (folder / "c" / "bad.fits").write_bytes(b"SIMPLE  = nothing")
    return sorted(p for p in folder.rglob("*") if p.is_file())


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_order_of_scanning_changes_nothing(frames, tmp_path, seed):
    """One scan, halves in another order and single files shuffled end in equal rows."""
    paths = a_messy_tree(frames)
    whole, halves, single = (tmp_path / f"{n}.sqlite" for n in ("whole", "halves", "single"))
    scan_into(whole, frames)
    random.Random(seed).shuffle(paths)
    half = len(paths) // 2
    scan_into(halves, *paths[half:])
    scan_into(halves, *paths[:half])
    for path in paths:
        scan_into(single, path)
    expected = content(whole)
    assert content(halves) == expected
    assert content(single) == expected
    assert logged_s(whole) == 9 * 300  # six, one misspelt camera, one without a site, one silent


def test_undated_frames_of_equal_pixels_are_kept_apart_by_their_start(frames, database):
    """Two black frames are two frames when they began at different times."""
    black = np.zeros((48, 64), np.uint16)
    write_frame(frames / "a.fits", black, DATE__OBS=moment(0))
    write_frame(frames / "b.fits", black, DATE__OBS=moment(400))
    scan_into(database, frames)
    assert len(rows(database, "id")) == 2


def test_every_card_is_stored(frames, database):
    """Each header card is in the database, so that a new keyword never means reading again."""
    from runlog.actions.open import open_store
    from runlog.config import Settings
    from runlog.store import models as m
    from runlog.store.engine import reading
    from runlog.store.headers import unpack_cards

    write_frame(frames / "a.fits", noise(), ODDNAME="kept", COMMENT="a remark")
    scan_into(database, frames)
    engine = open_store(str(database), Settings())
    with reading(engine) as connection:
        (packed,) = connection.execute(m.header.select()).mappings()
    engine.dispose()
    stored = {card.keyword: card.value for card in unpack_cards(packed["cards"])}
    written = header_of({"ODDNAME": "kept", "COMMENT": "a remark"})
    assert set(written) | set(LIGHT) <= set(stored)
    assert stored["ODDNAME"] == "kept"
