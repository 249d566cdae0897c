"""Nights of measured frames put into a real database: numbers are drawn, pixels are not.

Everything after the measurement is real: headers are parsed, frames stored, stars matched, runs
settled. What a frame would measure is given, so that a night costs milliseconds.
"""

import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from hashlib import blake2b
from math import sqrt
from typing import Any

import numpy as np
from sqlalchemy import Engine

from runlog.actions.batches import Batches
from runlog.config import Settings
from runlog.core.frame import Card, Field, Measurement, Shape, StarList, Zone
from runlog.core.header.parse import parse_header
from runlog.core.pixels import ReadFrame
from runlog.ingest.task import MEASURE_VERSION, Outcome
from runlog.store.engine import writing
from runlog.store.frames import path_parts, stamp_of
from runlog.store.roots import Roots, make_root

WIDTH, HEIGHT, STARS = 1280, 960, 40
EVERY_S = 312.0


@dataclass(frozen=True)
class Night:
    """A night of frames that are alike but for a little scatter."""

    evening: str  # ISO date
    frames: int = 12
    seed: int = 1
    filter: str = "L"
    target: str = "M 33"
    times: float = 1.0  # as wide as 2.4 px
    profile: float = 0.62  # half-flux radius over FWHM
    eccentricity: float = 0.17
    along_deg: float = 30.0
    light: float = 1.0
    side: str = "west"
    exposure_s: float = 300.0
    hot_ppm: float = 40.0
    noise_adu: float = 20.0
    version: int = MEASURE_VERSION
    cards: tuple[tuple[str, Any], ...] = ()
    own: dict[int, dict[str, Any]] = field(default_factory=dict)  # frame -> what differs in it


def outcomes(night: Night) -> list[Outcome]:
    """Make what a scan would be handed of a night's frames."""
    random = np.random.default_rng([night.seed, date.fromisoformat(night.evening).toordinal()])
    return [_outcome(night, i, random) for i in range(night.frames)]


def _outcome(night: Night, i: int, random: np.random.Generator) -> Outcome:
    values = {name: getattr(night, name) for name in night.__dataclass_fields__}
    this = Night(**(values | night.own.get(i, {})))
    name = f"{this.evening}_{this.filter}_{this.target}_{i:03d}.fits".replace(" ", "")
    path = os.fsencode(f"/nights/{name}")
    shape = Shape(WIDTH, HEIGHT)
    cards = tuple(_cards(this, i))
    frame = ReadFrame(
        blake2b(name.encode(), digest_size=16).hexdigest(), cards, shape, _measured(this, random)
    )
    header = parse_header(cards, shape, path_parts(path), Settings().rules)
    return Outcome(path, frame, header)


def _cards(night: Night, i: int) -> Iterable[Card]:
    begin = datetime.fromisoformat(f"{night.evening}T21:00:00").replace(tzinfo=UTC)
    start = begin + timedelta(seconds=i * EVERY_S)
    values = {
        "IMAGETYP": "Light Frame",
        "DATE-OBS": start.strftime("%Y-%m-%dT%H:%M:%S"),
        "EXPTIME": night.exposure_s,
        "FILTER": night.filter,
        "OBJECT": night.target,
        "INSTRUME": "MonoCam 9",
        "TELESCOP": "Ladybird 90/540",
        "FOCALLEN": 540.0,
        "XPIXSZ": 3.76,
        "XBINNING": 1,
        "YBINNING": 1,
        "GAIN": 100,
        "EGAIN": 0.8,
        "PEDESTAL": 0,
        "PIERSIDE": night.side.upper(),
        "OBJCTRA": "01 33 50",
        "OBJCTDEC": "+30 39 36",
        "SITELAT": 47.5,
        "SITELONG": 16.0,
    } | dict(night.cards)
    return (Card(key, value) for key, value in values.items() if value is not None)


def _measured(night: Night, random: np.random.Generator) -> Measurement:
    width = 2.4 * night.times * (1 + 0.02 * float(random.standard_normal()))
    light = night.light * (1 + 0.01 * float(random.standard_normal()))
    stars = _stars(light * night.exposure_s, random.uniform(-8, 8, 2))
    return Measurement(
        measured_with=night.version,
        stars=500 + int(random.integers(-15, 15)),
        fwhm_px=width,
        axis_ratio=sqrt(1 - night.eccentricity**2),
        eccentricity=night.eccentricity,
        elongation_deg=night.along_deg,
        alignment=0.9,
        hfr_px=night.profile * width,
        background_adu=800.0,
        noise_adu=night.noise_adu,
        hot_pixels_ppm=night.hot_ppm,
        clipped_stars=2,
        field=Field((Zone(55),) * 9, tilt=0.03, curvature=0.04, worst_eccentricity=0.3),
        beta=3.2,
        width_from="moffat",
        ranked_flux_adu=stars.ranked_flux_adu,
        star_list=stars,
    )


def _stars(seconds: float, shift_px: Sequence[float]) -> StarList:
    """Give the field's stars, moved and dimmed; float32 as they are stored."""
    random = np.random.default_rng(7)
    x, y = random.uniform(20, WIDTH - 20, STARS), random.uniform(20, HEIGHT - 20, STARS)
    flux = np.sort(random.uniform(50, 3000, STARS))[::-1] * seconds
    moved = (x + shift_px[0], y + shift_px[1], flux)
    return StarList(*(tuple(map(float, part.astype(np.float32))) for part in moved))


def put(engine: Engine, found: Sequence[Outcome], *, again: bool = False) -> None:
    """Store frames as a scan does, without grading; `again` as measured once more."""
    batches = Batches(engine, Settings(), lambda _: again, frozenset())
    with writing(engine) as connection:
        if not Roots.load(connection).over(b"/nights/x"):
            make_root(connection, b"/nights", Roots.load(connection))
        roots = Roots.load(connection)
    for outcome in found:
        batches.stamps[outcome.path] = stamp_of(roots, outcome.path, 1, 1)
    for outcome, arrival in batches.write(found):
        assert outcome.failure is None, outcome.failure
        assert arrival.value != "failed"
