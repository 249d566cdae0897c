"""Random archives of frames, and their hours added up straight from FITS headers with astropy."""

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import fsum
from pathlib import Path
from typing import Any

import numpy as np
from astropy.io import fits
from hypothesis import strategies as st
from sqlalchemy import Engine

from runlog.core.frame import Card, Shape
from runlog.core.pixels import ReadFrame
from tests.core.spellings import SPELLINGS

SHAPE = (24, 32)
BEGIN = datetime(2026, 3, 1, 18, tzinfo=UTC)
TARGETS = ("M 31", "M 33", "NGC 7000", "NGC 7000 panel 2", "IC 1396", "Sh2-101", "(no name)")
FILTERS = {
    "L": ("L", "Lum", "luminance", "1-L"),
    "Ha": ("Ha", "H-alpha", "HA"),
    "OIII": ("OIII", "O3", "oiii"),
    "(no filter)": (None, "none"),
}
KINDS = ("Light Frame", "LIGHT", "Dark Frame", "Flat", "Bias Frame")


@dataclass(frozen=True)
class Shot:
    """One opening of a shutter, and how many files hold its pixels or a processed copy of them."""

    camera: int
    slot: int  # in units of ten minutes, so that no two of a camera overlap
    length_s: float
    target: str
    spelling: str
    filter: str
    filter_spelling: str | None
    kind: str
    copies: int = 0  # the same pixels again, in other files
    rewritten: bool = False  # copies have other headers
    calibrated: bool = False  # there is a calibrated copy: other pixels, the same exposure


@st.composite
def shots(draw: Any) -> Shot:
    """Draw one exposure."""
    target = draw(st.sampled_from(TARGETS))
    name = draw(st.sampled_from(sorted(FILTERS)))
    return Shot(
        camera=draw(st.integers(1, 2)),
        slot=draw(st.integers(0, 400)),
        length_s=draw(st.sampled_from([61.5, 90.0, 120.0, 180.5, 300.0, 599.0])),
        target=target,
        spelling=draw(st.sampled_from(SPELLINGS[target])),
        filter=name,
        filter_spelling=draw(st.sampled_from(FILTERS[name])),
        kind=draw(st.sampled_from(KINDS)),
        copies=draw(st.integers(0, 2)),
        rewritten=draw(st.booleans()),
        calibrated=draw(st.booleans()),
    )


def archives(most: int, least: int = 0) -> st.SearchStrategy[list[Shot]]:
    """Draw archives of different exposures."""
    return st.lists(shots(), min_size=least, max_size=most, unique_by=lambda s: (s.camera, s.slot))


# --- headers --------------------------------------------------------------------------------


def headers_of(shot: Shot) -> list[tuple[int, fits.Header]]:
    """Write the headers of all files of one exposure, each with a number of its pixels."""
    pixels = 2 * (shot.camera * 1000 + shot.slot)
    first = _header(shot)
    found = [(pixels, first)]
    for number in range(shot.copies):
        copy = first.copy()
        if shot.rewritten:
            copy["HISTORY"] = f"saved again {number}"
            copy["OBSERVER"] = "somebody"
            del copy["FOCALLEN"]
        found.append((pixels, copy))
    if shot.calibrated and shot.kind.lower().startswith("light"):
        calibrated = first.copy()
        calibrated["CALSTAT"] = "BDF"
        found.append((pixels + 1, calibrated))
    return found


def _header(shot: Shot) -> fits.Header:
    start = BEGIN + timedelta(minutes=10 * shot.slot)
    header = fits.Header()
    header["IMAGETYP"] = shot.kind
    header["DATE-OBS"] = start.strftime("%Y-%m-%dT%H:%M:%S.000")
    header["EXPTIME"] = 0.001 if shot.kind.startswith("Bias") else shot.length_s
    header["OBJECT"] = shot.spelling
    if shot.filter_spelling is not None:
        header["FILTER"] = shot.filter_spelling
    header["INSTRUME"] = f"MonoCam {shot.camera}"
    header["TELESCOP"] = "Ladybird 90/540"
    header["FOCALLEN"] = 540.0
    header["XPIXSZ"] = 3.76
    header["XBINNING"] = 1
    header["SITELONG"] = "+16 00 00"
    return header


Sums = dict[tuple[str, str], float]


# The filter that some spellings of a target name, where no header card does.
IN_NAMES = {
    "M31_Lum_300s_0001": "L", "M33_Ha": "Ha", "Light_M33_L_300s": "L", "NGC7000_Ha": "Ha",
    "NGC7000_Ha_300s_0001": "Ha", "NGC 7000 - SII 3nm": "SII 3nm",
}  # fmt: skip


def truth(shots_of: Sequence[Shot]) -> Sums:
    """Add up exposure times straight from the headers: each camera and start of a light once."""
    names = {s: t for t in TARGETS for s in SPELLINGS[t]}
    filters = {s: name for name, spellings in FILTERS.items() for s in spellings}
    seen: dict[tuple[str, str], tuple[str, str, float]] = {}
    for shot in shots_of:
        for _, header in headers_of(shot):
            if "LIGHT" in header["IMAGETYP"].upper():
                key = (header["INSTRUME"], header["DATE-OBS"])
                said = IN_NAMES.get(shot.spelling, "(no filter)")
                given = header.get("FILTER")
                what = (names[shot.spelling], said if given is None else filters[given])
                seen[key] = (*what, header["EXPTIME"])
    groups: dict[tuple[str, str], list[float]] = {}
    for target, name, seconds in seen.values():
        groups.setdefault((target, name), []).append(seconds)
    return {key: fsum(lengths) for key, lengths in groups.items()}


# --- into a database, without files ---------------------------------------------------------


def cards_of(header: fits.Header) -> tuple[Card, ...]:
    """Read astropy's header as the tool's own cards."""
    return tuple(Card(c.keyword, c.value, c.comment) for c in header.cards)


def reads_of(shots_of: Iterable[Shot]) -> list[tuple[bytes, ReadFrame]]:
    """Give what reading each file would give: a path and a frame that was not measured."""
    found = []
    for shot in shots_of:
        for number, (pixels, header) in enumerate(headers_of(shot)):
            path = f"/archive/{shot.camera}/{shot.slot:04d}_{number}.fits".encode()
            found.append((path, ReadFrame(f"{pixels:032x}", cards_of(header), Shape(64, 48))))
    return found


def logged(engine: Engine) -> Sums:
    """Load what the totals say, and check that the four grades add up."""
    from runlog.actions.totals import total_rows

    rows = total_rows(engine)
    for row in rows:
        four = fsum(row[f"{grade}_s"] for grade in ("kept", "doubtful", "rejected", "ungraded"))
        assert abs(four - row["logged_s"]) < 1e-6
    return {(row["target"], row["filter"]): row["logged_s"] for row in rows}


# --- as files -------------------------------------------------------------------------------


def write_archive(
    folder: Path, shots_of: Iterable[Shot], shape: tuple[int, int] = (24, 32)
) -> None:
    """Write an archive as real FITS files."""
    folder.mkdir(parents=True, exist_ok=True)
    for shot in shots_of:
        for number, (pixels, header) in enumerate(headers_of(shot)):
            sky = np.random.default_rng(pixels).normal(1000, 20, SHAPE).round().astype(np.uint16)
            path = folder / f"{shot.camera}_{shot.slot:04d}_{number}.fits"
            fits.PrimaryHDU(sky, header).writeto(path)


def seconds_in_files(folder: Path, counts: Any) -> float:
    """Add up EXPTIME of light frames below a folder, each camera and start once.

    What lies in a folder called "damaged" is cut short on purpose and adds nothing.
    """
    seen: dict[tuple[str, str], float] = {}
    for path in sorted(folder.rglob("*")):
        if not path.is_file() or ".fit" not in path.name or "damaged" in path.parts:
            continue
        with fits.open(path) as hdus:
            header = hdus[-1].header if path.name.endswith(".fz") else hdus[0].header
            if counts(header, os.fspath(path)):
                seen[(header["INSTRUME"], header["DATE-OBS"])] = header["EXPTIME"]
    return fsum(seen.values())
