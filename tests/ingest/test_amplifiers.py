"""Raw frames of several amplifiers become one frame, or are refused for what nothing says.

Sections and their meaning: NOAO FITS Keyword Dictionary 1.0 (from memory). The frame that is taken
apart here is the truth that putting it together must give back.
"""

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.wcs import WCS
from astropy.wcs.utils import fit_wcs_from_points

from runlog.core.failures import FailureKind, kind_of_failure
from runlog.core.header.parse import HeaderRules
from runlog.ingest.fits import open_frame
from runlog.ingest.task import Task, read_file
from tests.real import real_frames
from tests.tools import header_of, noise

Array = np.ndarray[Any, Any]
HEIGHT, WIDTH, OVER = 80, 120, 16
LEVELS = (500, 530, 480, 510)
BINNING = 2
Spoil = Callable[[list[fits.ImageHDU]], object]


def taken_apart(whole: Array, flips: str = "none") -> list[fits.ImageHDU]:
    """Take a frame apart as a camera with four amplifiers stores it."""
    parts = []
    for number, (row, column) in enumerate([(0, 0), (0, 1), (1, 0), (1, 1)]):
        y, x = row * HEIGHT // 2, column * WIDTH // 2
        light = whole[y : y + HEIGHT // 2, x : x + WIDTH // 2].astype(int)
        turn_y, turn_x = flips == "corners" and bool(row), flips == "corners" and bool(column)
        array = np.random.default_rng(number).normal(0, 3, (HEIGHT // 2, WIDTH // 2 + OVER))
        array[:, : WIDTH // 2] = light[:: -1 if turn_y else 1, :: -1 if turn_x else 1]
        array = (array + LEVELS[number]).round().astype(np.uint16)
        part = fits.ImageHDU(array)
        part.header["DETSEC"] = section(x, WIDTH // 2, y, HEIGHT // 2, BINNING, turn_x, turn_y)
        part.header["DATASEC"] = section(0, WIDTH // 2, 0, HEIGHT // 2)
        part.header["BIASSEC"] = section(WIDTH // 2, OVER, 0, HEIGHT // 2)
        part.header["CCDSUM"] = f"{BINNING} {BINNING}"
        part.header["GAIN"] = 2.0 + number / 10
        part.name, part.ver = "SCI", number + 1
        parts.append(part)
    return parts


def section(
    x: int, wide: int, y: int, high: int, times: int = 1, turn_x: bool = False, turn_y: bool = False
) -> str:
    """Write a section, backwards where it is turned."""
    across = [x * times + 1, (x + wide) * times]
    up = [y * times + 1, (y + high) * times]
    first, last = across[:: -1 if turn_x else 1]
    low, top = up[:: -1 if turn_y else 1]
    return f"[{first}:{last},{low}:{top}]"


def written(path: Path, parts: list[Any], **cards: Any) -> Path:
    """Write parts behind a primary header without pixels."""
    header = header_of({"GAIN": None, **cards})
    fits.HDUList([fits.PrimaryHDU(header=header), *parts]).writeto(path)
    return path


def outcome_of(path: Path) -> Any:
    """Read one file as a worker does."""
    return read_file(Task(os.fsencode(path), (path.name,), HeaderRules()))


def pixels_of(path: Path) -> Array:
    """Read a file's pixels."""
    with open_frame(os.fsencode(path)) as opened:
        return opened.pixels()


TRUTH = noise(5, (HEIGHT, WIDTH))


@pytest.mark.parametrize("flips", ["none", "corners"])
@pytest.mark.parametrize("name", ["a.fits", "a.fits.gz", "a.fits.bz2"])
def test_amplifiers_become_the_frame_they_were(tmp_path: Path, name: str, flips: str) -> None:
    """Each at its place, the right way round, without its overscan, at one zero level."""
    found = pixels_of(written(tmp_path / name, taken_apart(TRUTH, flips)))
    assert found.dtype == np.uint16
    # The overscan's median is known to half a unit, and levels are moved by whole ones.
    assert np.abs(found.astype(int) - TRUTH - round(np.median(LEVELS))).max() <= 1


@pytest.mark.parametrize("algorithm", ["RICE_1", "GZIP_1"])
def test_amplifiers_packed_in_tiles(tmp_path: Path, algorithm: str) -> None:
    """Parts that are packed one by one are put together as well."""
    plain = written(tmp_path / "plain.fits", taken_apart(TRUTH, "corners"))
    parts = [
        fits.CompImageHDU(part.data, part.header, compression_type=algorithm)
        for part in taken_apart(TRUTH, "corners")
    ]
    found = pixels_of(written(tmp_path / "packed.fits.fz", parts))
    assert np.array_equal(found, pixels_of(plain))


def test_full_pixels_stay_full(tmp_path: Path) -> None:
    """Moving an amplifier's level does not make a saturated pixel look like an open one."""
    parts = taken_apart(TRUTH)
    for part in parts:
        part.data[3, 4] = 65535
    found = pixels_of(written(tmp_path / "a.fits", parts))
    assert (found == 65535).sum() == 4


def test_what_the_header_of_the_frame_says(tmp_path: Path) -> None:
    """Target and time by the primary header, size by the frame, zero level by the overscan."""
    outcome = outcome_of(written(tmp_path / "a.fits", taken_apart(TRUTH), OBJECT="NGC 7331"))
    assert outcome.failure is None
    assert (outcome.frame.shape.width, outcome.frame.shape.height) == (WIDTH, HEIGHT)
    assert outcome.header.target == "NGC 7331"
    assert outcome.header.pedestal_adu == pytest.approx(np.median(LEVELS), abs=1)
    said = {card.keyword: card.value for card in outcome.frame.cards}
    assert said["NAXIS1"] == WIDTH
    assert said["GAIN"] == pytest.approx(2.15)
    assert said["DETSEC"] == f"[1:{WIDTH * BINNING},1:{HEIGHT * BINNING}]"
    assert "DATASEC" not in said
    assert "BIASSEC" not in said


def whole_wcs() -> WCS:
    """A tilted and mirrored tangent plane whose reference point lies beside the frame."""
    whole = WCS(naxis=2)
    whole.wcs.ctype, whole.wcs.crval, whole.wcs.crpix = ["RA---TAN", "DEC--TAN"], [83.0, 22], [9, 7]
    whole.wcs.cd = [[3e-4, 1e-4], [-1.2e-4, 2.8e-4]]
    return whole


def amplifier_wcs(number: int, flips: str) -> WCS:
    """Fit an amplifier's own world coordinates to where its pixels lie in the frame's."""
    row, column = divmod(number, 2)
    y, x = np.mgrid[0 : HEIGHT // 2 : 9, 0 : WIDTH // 2 : 9].reshape(2, -1).astype(float)
    there_x, there_y = x.copy(), y.copy()
    if flips == "corners":
        there_x = WIDTH // 2 - 1 - x if column else x
        there_y = HEIGHT // 2 - 1 - y if row else y
    sky = whole_wcs().pixel_to_world(there_x + column * WIDTH // 2, there_y + row * HEIGHT // 2)
    return fit_wcs_from_points((x, y), sky)  # about its own middle


@pytest.mark.parametrize("flips", ["none", "corners"])
@pytest.mark.parametrize("first", range(4))
@pytest.mark.parametrize("manner", ["CD", "PC"])
def test_world_coordinates_are_those_of_the_frame(
    tmp_path: Path, flips: str, first: int, manner: str
) -> None:
    """Whichever amplifier comes first, and however turned, the centre is astropy's."""
    parts = taken_apart(TRUTH, flips)
    for number, part in enumerate(parts):
        own = amplifier_wcs(number, flips)
        header = own.to_header()  # PCi_j
        if manner == "CD":
            scale = own.pixel_scale_matrix
            header = fits.Header([card for card in header.cards if card.keyword[:2] != "PC"])
            del header["CDELT*"]
            for i, j in np.ndindex(2, 2):
                header[f"CD{i + 1}_{j + 1}"] = scale[i, j]
        part.header.update(header)
    ordered = parts[first:] + parts[:first]
    path = written(tmp_path / "a.fits", ordered, RA=None, DEC=None, OBJCTRA=None, OBJCTDEC=None)
    found = outcome_of(path).header
    theirs = whole_wcs().pixel_to_world((WIDTH - 1) / 2, (HEIGHT - 1) / 2)
    apart = SkyCoord(found.ra_deg, found.dec_deg, unit="deg").separation(theirs)
    assert apart.arcsec < 0.1  # a tenth of a pixel; the first amplifier alone is 36 arcsec off


def test_without_overscan_nothing_is_moved(tmp_path: Path) -> None:
    """Levels that nothing tells are left as they are, and no zero level is made up."""
    parts = taken_apart(TRUTH)
    for part in parts:
        part.header["BIASSEC"] = "UNKNOWN"
    outcome = outcome_of(written(tmp_path / "a.fits", parts))
    assert outcome.header.pedestal_adu is None
    corner = pixels_of(tmp_path / "a.fits")[: HEIGHT // 2, : WIDTH // 2]
    assert np.array_equal(corner, TRUTH[: HEIGHT // 2, : WIDTH // 2] + LEVELS[0])


def every(parts: list[fits.ImageHDU], **cards: str | None) -> None:
    """Change cards of every part; None takes one away."""
    for part in parts:
        for keyword, value in cards.items():
            if value is None:
                part.header.remove(keyword)
            else:
                part.header[keyword] = value


SPOILT: dict[str, tuple[Spoil, str]] = {
    "unknown": (lambda p: every(p, DETSEC="UNKNOWN"), "nothing says how they lie"),
    "missing": (lambda p: every(p, DETSEC=None), "no DETSEC in image 1"),
    "one missing": (lambda p: every(p[2:3], DETSEC=None), "no DETSEC in image 3"),
    "all silent": (
        lambda p: every(p, DETSEC=None, DATASEC=None, BIASSEC=None),
        "nothing says how they lie",
    ),
    "same place": (lambda p: every(p, DETSEC=p[0].header["DETSEC"]), "overlap"),
    "overlap": (
        lambda p: every(p[1:2], DETSEC=section(50, 60, 0, 40, BINNING)),
        "overlap on the detector",
    ),
    "gap": (lambda p: p.pop(1), "leave gaps"),
    "other size": (lambda p: every(p[1:2], DETSEC="[121:241,1:80]"), "do not fit together"),
    "other binning": (lambda p: every(p[1:2], CCDSUM="3 3"), "do not fit together"),
}


@pytest.mark.parametrize("name", SPOILT)
def test_what_nothing_says_is_refused(tmp_path: Path, name: str) -> None:
    """Where sections are silent or contradict one another the file is refused for that."""
    spoil, words = SPOILT[name]
    parts = taken_apart(TRUTH)
    spoil(parts)
    failure = str(outcome_of(written(tmp_path / "a.fits", parts)).failure)
    assert failure.startswith(f"holds {len(parts)} images (amplifiers)")
    assert words in failure
    assert kind_of_failure(failure) is FailureKind.NOT_SUPPORTED


@pytest.mark.parametrize("copied", [False, True], ids=["bare", "with the image's own sections"])
def test_layers_are_not_amplifiers(tmp_path: Path, copied: bool) -> None:
    """An image with its errors and mask behind it is that image, also with copied headers."""
    own = {"DETSEC": f"[1:{WIDTH},1:{HEIGHT}]", "DATASEC": f"[1:{WIDTH},1:{HEIGHT}]"}
    layers = [
        fits.ImageHDU(TRUTH, name="SCI"),
        fits.ImageHDU(TRUTH.astype(np.float32) ** 0.5, name="ERR"),
        fits.ImageHDU((TRUTH > 1000).astype(np.uint8), name="BPM"),
    ]
    for layer in layers if copied else layers[:1]:
        layer.header.update(own)
    assert np.array_equal(pixels_of(written(tmp_path / "a.fits", layers)), TRUTH)


def test_a_cut_out_of_one_amplifier_is_an_image(tmp_path: Path) -> None:
    """One image in an extension is the frame, whatever its old sections say."""
    cut = taken_apart(TRUTH)[0]
    found = pixels_of(written(tmp_path / "a.fits", [cut]))
    assert np.array_equal(found, cut.data)


def test_one_frame_with_overscan_is_left_whole(tmp_path: Path) -> None:
    """A frame of one image keeps the pixels its file has: its key and levels hang on them."""
    part = taken_apart(TRUTH)[0]
    header = header_of({"DATASEC": part.header["DATASEC"], "BIASSEC": part.header["BIASSEC"]})
    fits.PrimaryHDU(part.data, header).writeto(tmp_path / "a.fits")
    assert pixels_of(tmp_path / "a.fits").shape == (HEIGHT // 2, WIDTH // 2 + OVER)


def test_real_amplifiers(tmp_path: Path) -> None:
    """A real raw frame of four amplifiers: as put together by hand, and its sky without seams."""
    path = real_frames() / "single" / "mef_raw_test_frame.fits.gz"
    if not path.exists():
        pytest.skip("the raw frame of four amplifiers is not among the real frames here")
    outcome, found = outcome_of(path), pixels_of(path).astype(float)
    with fits.open(path) as hdus:
        parts = [hdu.data.astype(float) for hdu in hdus[1:]]
    cut = [part[:512, :512] - np.median(part[:512, 519:540]) for part in parts]
    # By their DETSEC: upper left, lower left, lower right, upper right; turned up, right or both.
    left = np.vstack([cut[1], cut[0][::-1]])
    right = np.vstack([cut[2][:, ::-1], cut[3][::-1, ::-1]])
    by_hand = np.hstack([left, right])
    assert np.abs(found - by_hand - outcome.header.pedestal_adu).max() <= 1
    skies = [np.median(quarter) for half in np.split(found, 2) for quarter in np.hsplit(half, 2)]
    assert np.ptp(skies) < outcome.frame.measurement.noise_adu
    assert outcome.frame.measurement.stars > 300
