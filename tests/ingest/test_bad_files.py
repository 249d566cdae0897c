"""Bad files: each gives one clear reason and stops nothing."""

import gzip
import os
import stat

import numpy as np
import pytest
from astropy.io import fits
from astropy.io.fits.verify import VerifyError

from runlog.core.header.parse import HeaderRules
from runlog.ingest import fits as ingest_fits
from runlog.ingest.task import Task, read_file
from tests.tools import header_of, noise, write_frame


def outcome_of(path):
    """Read one file as a worker does."""
    raw = os.fsencode(path)
    return read_file(Task(raw, (path.name,), HeaderRules()))


def blocks(*cards, data=b""):
    """Build a FITS file by hand: 80-byte cards in 2880-byte blocks (FITS Standard 4.0, 3.3)."""
    head = "".join(card.ljust(80) for card in (*cards, "END")).encode()
    return head + b" " * (-len(head) % 2880) + data


def huge(bitpix=16, axes=(30_000, 30_000)):
    """Build a header that promises a huge frame."""
    sizes = [f"NAXIS{i} = {n:20d}" for i, n in enumerate(axes, 1)]
    head = [f"{'SIMPLE':8}= {'T':>20}", f"BITPIX  = {bitpix:20d}", f"NAXIS   = {len(axes):20d}"]
    return blocks(
        *head, *(s.replace("NAXIS1 ", "NAXIS1  ").replace("NAXIS2 ", "NAXIS2  ") for s in sizes)
    )


def good_bytes(tmp_path):
    """Give the bytes of a good frame."""
    return write_frame(tmp_path / "good.fits", noise()).read_bytes()


def with_data(tmp_path, data):
    """Give the bytes of a frame of any array."""
    path = tmp_path / "made.fits"
    fits.PrimaryHDU(data, header_of({})).writeto(path)
    return path.read_bytes()


BAD = {
    "not FITS": (lambda t: b"GIF89a" + bytes(5000), "not FITS"),
    "empty": (lambda t: b"", "is empty"),
    "a few bytes": (lambda t: b"SIMPLE", "not FITS"),
    "header only begun": (lambda t: good_bytes(t)[:400], "cannot be read as FITS"),
    "truncated": (lambda t: good_bytes(t)[:-4000], "cut short"),
    "half written": (lambda t: good_bytes(t)[: 2880 * 2], "cut short"),
    "promises too much": (lambda t: huge(axes=(60_000, 60_000)), "promises 60000 x 60000"),
    "promises more than is there": (lambda t: huge(), "cut short: 0%"),
    "no pixels": (lambda t: blocks(f"{'SIMPLE':8}= {'T':>20}", f"BITPIX  = {8:20d}",
                                   f"NAXIS   = {0:20d}"), "no image"),
    "1-D": (lambda t: with_data(t, np.arange(5000, dtype=np.int16)), "single row"),
    "4-D": (lambda t: with_data(t, np.ones((2, 2, 20, 30), np.int16)), "stack of 2 x 2 planes"),
    "7 planes": (lambda t: with_data(t, np.ones((7, 20, 30), np.int16)), "stack of 7 planes"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_bad_files_have_a_reason(tmp_path, name):
    """Each kind of bad file is refused in words a person can act on, on one line."""
    make, words = BAD[name]
    path = tmp_path / "bad.fits"
    path.write_bytes(make(tmp_path))
    outcome = outcome_of(path)
    assert outcome.frame is None
    assert words in outcome.failure
    assert "\n" not in outcome.failure
    assert not outcome.passing


@pytest.mark.parametrize(
    ("name", "spoil"),
    [
        ("bad.fits.gz", lambda raw: gzip.compress(raw)[:-3000]),
        (
            "bad.fits.gz",
            lambda raw: gzip.compress(raw)[:3000] + bytes(500) + gzip.compress(raw)[3500:],
        ),
        ("bad.fits.gz", lambda raw: gzip.compress(raw[:-4000])),
        ("bad.fits.gz", lambda raw: gzip.compress(huge())),
        ("bad.fits.gz", lambda raw: gzip.compress(b"not FITS at all")),
        ("bad.fits.gz", lambda raw: b"\x1f\x8b"),
    ],
)
def test_bad_gzip(tmp_path, name, spoil):
    """A cut, damaged or hollow gzip file is refused."""
    path = tmp_path / name
    path.write_bytes(spoil(good_bytes(tmp_path)))
    outcome = outcome_of(path)
    assert outcome.frame is None
    assert "made runlog fail" not in outcome.failure


@pytest.mark.parametrize("share", [0.3, 0.6, 0.9])
def test_cut_rice_file(tmp_path, share):
    """A Rice-compressed file that is cut short is refused."""
    whole = tmp_path / "whole.fits.fz"
    image = fits.CompImageHDU(noise(shape=(400, 400)), header_of({}), compression_type="RICE_1")
    fits.HDUList([fits.PrimaryHDU(), image]).writeto(whole)
    raw = whole.read_bytes()
    path = tmp_path / "cut.fits.fz"
    path.write_bytes(raw[: int(share * len(raw))])
    outcome = outcome_of(path)
    assert outcome.frame is None
    assert "made runlog fail" not in outcome.failure


@pytest.mark.parametrize("seed", range(12))
def test_garbled_headers(tmp_path, seed):
    """Random damage to a header never gets past as a failure of runlog itself."""
    raw = bytearray(good_bytes(tmp_path))
    rng = np.random.default_rng(seed)
    for place in rng.integers(9, 2880, 25):
        raw[place] = rng.integers(0, 256)
    path = tmp_path / "garbled.fits"
    path.write_bytes(raw)
    outcome = outcome_of(path)
    assert outcome.frame is not None or "made runlog fail" not in outcome.failure


@pytest.mark.parametrize(
    "pixels",
    [
        np.full((48, 64), np.nan, np.float32),
        np.zeros((48, 64), np.uint16),
        np.full((48, 64), 65535, np.uint16),
        np.full((48, 64), np.inf, np.float32),
        np.where(noise() % 3 == 0, np.nan, noise()).astype(np.float32),
        noise(shape=(16, 64)),
        noise(shape=(16, 16)),
        noise().astype(np.float64) * 1e300,
        noise()[None, None],
        np.full((48, 64), -(2**31), np.int32),
    ],
    ids=["nan", "zero", "full", "inf", "some-nan", "strip", "tiny", "vast", "1x1x", "low"],
)
def test_odd_pixels_are_frames(tmp_path, pixels):
    """Odd pixels are still a frame: stored, with no star found and no made-up number."""
    path = tmp_path / "odd.fits"
    fits.PrimaryHDU(pixels, header_of({})).writeto(path)
    outcome = outcome_of(path)
    assert outcome.failure is None
    assert outcome.frame.measurement.stars == 0
    assert outcome.frame.measurement.fwhm_px is None
    assert outcome.frame.measurement.notes


def test_a_stray_card_loses_neither_the_image_nor_its_neighbour(tmp_path):
    """A CONTINUE that continues no string is kept as written; the card before it is read."""
    path = write_frame(tmp_path / "odd.fits", noise(), NUMBER=67, STRAY="to be replaced")
    stray = "CONTINUE= ''keep=no column=FLAG d' /   'r"  # after a pipeline for X-rays
    raw = path.read_bytes()
    at = raw.index(b"STRAY   =")
    path.write_bytes(raw[:at] + stray.ljust(80).encode() + raw[at + 80 :])
    with fits.open(path) as opened, pytest.raises(VerifyError):
        print(opened[0].header["NUMBER"])  # the library itself gives up
    with ingest_fits.open_frame(os.fsencode(path)) as frame:
        assert (frame.pixels() == noise()).all()
        cards = {card.keyword: card.value for card in frame.cards}
    assert (cards["NUMBER"], cards[""]) == (67, stray)
    assert outcome_of(path).failure is None


def test_a_frame_larger_than_memory(tmp_path, monkeypatch):
    """A frame that does not fit is refused before it is read, and tried again another day."""
    monkeypatch.setattr(ingest_fits, "room_bytes", lambda: 10_000)
    outcome = outcome_of(write_frame(tmp_path / "big.fits", noise()))
    assert "more memory than there is" in outcome.failure
    assert outcome.passing


def test_a_promise_no_memory_can_hold_as_a_sparse_file(tmp_path):
    """A file as long as its header's promise is refused by its size, not by trying."""
    path = tmp_path / "sparse.fits"
    path.write_bytes(huge(axes=(60_000, 60_000)))
    os.truncate(path, 2880 + 2 * 60_000**2)
    assert "promises 60000 x 60000" in outcome_of(path).failure


def test_a_pipe_is_not_waited_for(tmp_path):
    """A named pipe called .fits would make a reader wait for ever."""
    path = tmp_path / "pipe.fits"
    os.mkfifo(path)
    assert stat.S_ISFIFO(os.stat(path).st_mode)
    assert "is not a file" in outcome_of(path).failure


def test_a_fault_of_our_own_is_not_blamed_on_the_file(tmp_path, monkeypatch):
    """If measuring fails, the reason says so, and the next scan tries again."""

    def fail(*_args, **_more):
        raise ValueError("a bug")

    monkeypatch.setattr("runlog.ingest.read.measure_frame", fail)
    outcome = outcome_of(write_frame(tmp_path / "good.fits", noise()))
    assert "made runlog fail, not through its own fault (ingest/read.py, line" in outcome.failure
    assert "ValueError" not in outcome.failure
    assert outcome.passing


def test_a_file_that_vanishes(tmp_path):
    """A file gone between looking and reading is a failure that may pass."""
    outcome = outcome_of(tmp_path / "gone.fits")
    assert "No such file" in outcome.failure
    assert outcome.passing


def test_pixels_are_scaled(tmp_path):
    """BZERO and BSCALE are applied (FITS Standard 4.0, 4.4.2.5): 16-bit cameras write 32768."""
    path = write_frame(tmp_path / "a.fits", noise())
    assert fits.getheader(path)["BZERO"] == 32768
    with ingest_fits.open_frame(os.fsencode(path)) as opened:
        assert np.array_equal(opened.pixels(), noise())


def test_the_primary_header_adds_to_a_compressed_one(tmp_path):
    """Keywords that only the primary header of a packed file has are read too."""
    path = tmp_path / "a.fits.fz"
    primary = fits.PrimaryHDU()
    primary.header["SITELAT"] = 47.5
    header = header_of({"SITELAT": None})
    fits.HDUList([primary, fits.CompImageHDU(noise(), header, compression_type="RICE_1")]).writeto(
        path
    )
    assert outcome_of(path).header.latitude_deg == 47.5
