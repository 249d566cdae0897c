"""Reasons are true, in words, and lead to a cure that fits them."""

import bz2
import lzma
import os
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from runlog.core.failures import FailureKind, cure_of_failure, kind_of_failure
from runlog.core.header.parse import HeaderRules
from runlog.ingest.discover import Walk, is_fits_name, is_packed_otherwise
from runlog.ingest.fits import open_frame
from runlog.ingest.task import Outcome, Task, read_file
from tests.ingest.bombs import blocks, card, image_extension, primary, tiled
from tests.tools import noise, runlog, write_frame, write_run

DATA = noise(shape=(30, 40)).astype(">i2").tobytes()
# What a programmer would recognise and a person would not.
PYTHON = ("object", "Error", "NoneType", "None", "attribute", "dtype", "buffer", "astropy", "numpy")


def outcome_of(path: Path) -> Outcome:
    """Read one file as a worker does."""
    return read_file(Task(os.fsencode(path), (path.name,), HeaderRules()))


def plain(*more: str, bitpix: object = 16, axes: tuple[int, ...] = (40, 30)) -> bytes:
    """Write a small frame by hand."""
    return blocks(*primary(bitpix, axes, *more), data=DATA)


def standing(number: object) -> tuple[str, FailureKind]:
    return f"BITPIX = {number}", FailureKind.NOT_STANDARD


BAD: dict[str, tuple[bytes, str, FailureKind]] = {
    "BITPIX 0": (plain(bitpix=0), *standing(0)),
    "BITPIX 7": (plain(bitpix=7), *standing(7)),
    "BITPIX 12": (plain(bitpix=12), *standing(12)),
    "BITPIX a string": (plain(bitpix="'16'"), "BITPIX = '16'", FailureKind.NOT_STANDARD),
    "BITPIX a word": (plain(bitpix="sixteen"), "which is no number", FailureKind.NOT_STANDARD),
    "terabytes": (
        plain(axes=(4_000_000_000, 4_000_000_000)), "more than any frame has",
        FailureKind.DAMAGED),
    "terabytes of table": (
        blocks(*primary(8, ())) + blocks("XTENSION= 'BINTABLE'", *primary(8, (10**6, 10**9))[1:],
                                         card("PCOUNT", 0), card("GCOUNT", 1), card("TFIELDS", 0)),
        "cut short: it ends before any image", FailureKind.DAMAGED),
    "NAXIS 999": (
        blocks(*primary(16, (40, 30))).replace(card("NAXIS", 2).encode(),
                                               card("NAXIS", 999).encode()),
        "no NAXIS3", FailureKind.NOT_STANDARD),
    "999 axes": (plain(axes=(2,) * 999), "planes", FailureKind.NOT_SUPPORTED),
    "negative": (plain(axes=(-40, 30)), "NAXIS1 = -40", FailureKind.NOT_STANDARD),
    "twice": (plain(card("NAXIS1", 400)), "gives NAXIS1 twice, as 40 and 400",
              FailureKind.NOT_STANDARD),
    "BZERO a word": (plain(card("BZERO", "'much'")), "BZERO = 'much'", FailureKind.NOT_STANDARD),
    "one row": (plain(axes=(1200,)), "single row", FailureKind.NOT_SUPPORTED),
    "one pixel": (plain(axes=(1, 1)), "only 1 x 1 pixels", FailureKind.NO_PICTURE),
    "two rows": (plain(axes=(600, 2)), "only 600 x 2 pixels", FailureKind.NO_PICTURE),
    "small planes": (plain(axes=(15, 20, 3)), "only 15 x 20 pixels", FailureKind.NO_PICTURE),
    "groups": (
        plain(card("GROUPS", "T"), card("PCOUNT", 3), card("GCOUNT", 2), axes=(0, 40, 30)),
        "random groups", FailureKind.NOT_SUPPORTED),
    "SIMPLE = F": (plain().replace(card("SIMPLE", "T").encode(), card("SIMPLE", "F").encode()),
                   "SIMPLE is not T", FailureKind.NOT_SUPPORTED),
    "an extension too short": (
        blocks(*primary(8, ())) + blocks(*image_extension(16, (40, 300)), data=DATA),
        "cut short: 12%", FailureKind.DAMAGED),
    "xz": (lzma.compress(plain()), "packed by xz", FailureKind.NOT_SUPPORTED),
    "bzip2 cut": (bz2.compress(plain())[:-30], "cut short or corrupt", FailureKind.DAMAGED),
    "bzip2 damaged": (
        bz2.compress(plain())[:400] + bytes(50) + bz2.compress(plain())[450:], "is damaged",
        FailureKind.DAMAGED),
    "bzip2 of something else": (bz2.compress(b"a letter"), "not FITS", FailureKind.NOT_FITS),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_reasons_are_true(tmp_path: Path, name: str) -> None:
    """Each reason names what is wrong, and nothing of the language runlog is written in."""
    data, words, kind = BAD[name]
    (tmp_path / "bad.fits").write_bytes(data)
    failure = str(outcome_of(tmp_path / "bad.fits").failure)
    assert words in failure
    assert kind_of_failure(failure) is kind
    assert not [word for word in PYTHON if word in failure]
    assert ("opy it again" in cure_of_failure(failure)) is (kind is FailureKind.DAMAGED)


TILES: dict[str, tuple[dict[str, object], str, FailureKind]] = {
    "algorithm": ({"ZCMPTYPE": "'SQUEEZE '"}, "packed by 'SQUEEZE'", FailureKind.NOT_SUPPORTED),
    "no tile": ({"ZTILE1": 0}, "ZTILE1 = 0", FailureKind.NOT_STANDARD),
    "heap": ({"PCOUNT": 100}, "outside the part of the file", FailureKind.DAMAGED),
    "form": ({"TFORM1": "'1PQ(99)'"}, "cannot be unpacked", FailureKind.DAMAGED),
    "type": ({"ZBITPIX": 12}, "ZBITPIX = 12", FailureKind.NOT_STANDARD),
    "rows": ({"NAXIS2": 3}, "3 packed tiles for an image that has 1", FailureKind.DAMAGED),
}


@pytest.mark.parametrize("name", TILES)
def test_reasons_for_packed_tiles(tmp_path: Path, name: str) -> None:
    """Headers of packed images that contradict themselves are refused for that."""
    changes, words, kind = TILES[name]
    failure = str(outcome_of(tiled(tmp_path / "a.fits.fz", **changes)).failure)
    assert words in failure
    assert kind_of_failure(failure) is kind
    assert not [word for word in PYTHON if word in failure]


@pytest.mark.parametrize(
    "more",
    [("BLANK   =                  NaN",), ("BLANK   = 'none'",), (card("NAXIS1", 40),)],
    ids=["BLANK = NaN", "BLANK a string", "the same size twice"],
)
def test_oddities_that_cost_no_pixel(tmp_path: Path, more: tuple[str, ...]) -> None:
    """A BLANK that marks no pixel, or a card written twice alike, is no reason to refuse."""
    (tmp_path / "odd.fits").write_bytes(plain(*more))
    with open_frame(os.fsencode(tmp_path / "odd.fits")) as opened:
        assert np.array_equal(opened.pixels(), noise(shape=(30, 40)))


def test_one_damaged_card_costs_no_frame(tmp_path: Path) -> None:
    """A control character in one card is shown as a question mark; the frame is read."""
    raw = write_frame(tmp_path / "a.fits", noise()).read_bytes()
    (tmp_path / "a.fits").write_bytes(raw.replace(b"'MonoCam 9'", b"'Mono\x13am 9'"))
    outcome = outcome_of(tmp_path / "a.fits")
    assert outcome.header is not None
    assert outcome.header.camera == "Mono?am 9"


@pytest.mark.parametrize("name", ["a.fits.bz2", "a.FIT.BZ2", "a.fts.Bz2"])
def test_bzip2_is_read_like_gzip(tmp_path: Path, name: str) -> None:
    """A frame packed by bzip2 is found by its name and is the frame it was (same pixels)."""
    assert is_fits_name(os.fsencode(name))
    path = write_frame(tmp_path / "plain.fits", noise())
    (tmp_path / name).write_bytes(bz2.compress(path.read_bytes()))
    found, alone = outcome_of(tmp_path / name), outcome_of(path)
    assert found.frame is not None
    assert found.frame == alone.frame


def test_other_packings_are_told(tmp_path: Path) -> None:
    """FITS files packed in a way that is not read are counted as what they are."""
    for name in ("a.fits.xz", "b.FITS.Z", "c.fit.zip"):
        (tmp_path / name).write_bytes(b"x")
        assert is_packed_otherwise(os.fsencode(name))
    write_run(tmp_path, 1)
    walk = Walk()
    assert len(list(walk.files([os.fsencode(tmp_path)]))) == 1
    assert walk.packed_otherwise == {".xz": 1, ".z": 1, ".zip": 1}
    assert walk.other_formats == {}


def test_check_gives_the_cure_that_fits(tmp_path: Path) -> None:
    """`runlog check` does not ask to copy what is whole and not supported."""
    folder = tmp_path / "frames"
    write_run(folder, 1)
    (folder / "row.fits").write_bytes(plain(axes=(1200,)))
    (folder / "pixel.fits").write_bytes(plain(axes=(1, 1)))
    (folder / "cut.fits").write_bytes(write_frame(folder / "x.fits", noise(4)).read_bytes()[:-4000])
    done = runlog(tmp_path, "scan", folder)
    assert done.returncode == 1
    lines = runlog(tmp_path, "check").stdout.splitlines()
    cures = {
        name: next(
            lines[i + 1] for i, line in enumerate(lines) if name in "".join(lines[i : i + 1])
        )
        for name in ("row.fits", "pixel.fits", "cut.fits")
    }
    assert "Copy it again" not in cures["row.fits"]
    assert "too few pixels are stored in it" in cures["pixel.fits"]
    assert "Copy it again" in cures["cut.fits"]


SCALES: dict[str, Callable[[], fits.PrimaryHDU]] = {
    "signed bytes": lambda: fits.PrimaryHDU(np.arange(-128, 128, dtype=np.int8).reshape(16, 16)),
    "unsigned 32": lambda: fits.PrimaryHDU(np.arange(0, 2**32, 2**24, np.uint32).reshape(16, 16)),
    "unsigned 64": lambda: fits.PrimaryHDU(np.arange(256, dtype=np.uint64).reshape(16, 16) << 56),
}


@pytest.mark.parametrize("name", SCALES)
def test_values_are_those_of_another_reader(tmp_path: Path, name: str) -> None:
    """Integers written with an offset come back as astropy reads them."""
    path = tmp_path / "a.fits"
    SCALES[name]().writeto(path)
    with open_frame(os.fsencode(path)) as opened:
        found, theirs = opened.pixels(), fits.getdata(path)
    assert found.dtype == theirs.dtype.newbyteorder("=")
    assert np.array_equal(found, theirs)


@pytest.mark.parametrize(("bitpix", "scale", "zero"), [(8, 2, 5), (32, 1, 9), (-32, 0.5, 3)])
def test_scaled_values_are_those_of_another_reader(
    tmp_path: Path, bitpix: int, scale: float, zero: float
) -> None:
    """BSCALE and BZERO give astropy's values and types."""
    stored = np.arange(256).reshape(16, 16).astype({8: "u1", 32: ">i4", -32: ">f4"}[bitpix])
    path, more = tmp_path / "a.fits", (card("BSCALE", scale), card("BZERO", zero))
    path.write_bytes(blocks(*primary(bitpix, (16, 16), *more), data=stored.tobytes()))
    with open_frame(os.fsencode(path)) as opened:
        found, theirs = opened.pixels(), fits.getdata(path)
    assert found.dtype == theirs.dtype.newbyteorder("=")
    assert np.array_equal(found, theirs)


def test_a_frame_of_anothers_rig_is_whole() -> None:
    """What was refused for whose it is asks for no copy and no report; other refusals do."""
    for words in (
        "the rig is X, which ben keeps, not ann",
        "this belongs to a rig that others keep",
    ):
        why = f"could not be stored: {words}"
        assert kind_of_failure(why) is FailureKind.OF_ANOTHERS_RIG
        assert "Nothing ails it" in cure_of_failure(why)
    value = "could not be stored: a value of its header is out of all range"
    assert kind_of_failure(value) is FailureKind.OUR_FAULT
