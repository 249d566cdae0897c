"""Drawn frames of one name at several places of the sky, with what is true of their light."""

from collections import defaultdict
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import numpy as np

from runlog.core.grading.policy import extinction_mag
from samples.maker.psf import Psf
from samples.maker.scenario import FILTERS, Camera, Target
from samples.maker.shot import CardValue, Rig, Scene, Shot
from samples.maker.sky import Direction, circumstances
from samples.maker.stars import Placement
from samples.maker.write import make_frame

ROWS, COLUMNS = 480, 640
NAME = "Wanderer"
HOME_DEG = (23.46, 30.66)
FIRST_UTC = datetime(2026, 10, 9, 20, 0, tzinfo=UTC)
LENGTH_S = 300.0
STEP = timedelta(seconds=320)
SKY_E_S = 1.2
MARGIN_PX = 1400.0
COORDINATES = ("RA", "DEC", "OBJCTRA", "OBJCTDEC", "OBJCTALT", "OBJCTAZ", "AIRMASS", "CENTALT")
RIG = Rig(camera=Camera(rows=ROWS, columns=COLUMNS))
FIELD_DEG = COLUMNS * RIG.arcsec_px / 3600.0


@dataclass(frozen=True, slots=True)
class Look:
    """One frame: when, where, through how much cloud, and what its header says of the place."""

    night: int
    number: int
    field: str = "A"  # another letter is other stars altogether
    away: float = 0.0  # along the columns, in widths of the frame
    light: float = 1.0  # what cloud leaves
    told_deg: float | None = 0.0  # how far from home the header points; None: it does not say

    @property
    def path(self) -> str:
        """Name the file, below a folder for each night."""
        return f"night{self.night}/{self.number:03d}.fits"


def shot_of(look: Look) -> Shot:
    """Plan one frame: clear air takes what runlog's table says of the filter, cloud the rest."""
    rng = np.random.default_rng([look.night, look.number, 5])
    x, y = rng.uniform(-8.0, 8.0, 2)
    start = FIRST_UTC + timedelta(days=look.night) + look.number * STEP
    pointing = Direction(HOME_DEG[0], HOME_DEG[1] + (look.told_deg or 0.0))
    middle = start + timedelta(seconds=LENGTH_S / 2)
    at = circumstances(pointing, middle, RIG.site)
    scene = Scene(
        target=Target(f"{NAME} {look.field}", *HOME_DEG, "galaxy", 0.0),
        place=Placement(float(x) - look.away * COLUMNS, float(y), 0.0),
        psf=Psf(2.4 * float(rng.uniform(0.98, 1.02)), axis_ratio=0.98, angle_deg=10.0),
        stars=220,
        sky_e_s=SKY_E_S * (1.0 + 0.3 * (1.0 - look.light)),
        transparency=look.light,
        extinction=10 ** (-0.4 * extinction_mag("L") * (at.airmass - 1.0)),
        glow=False,
        margin_px=MARGIN_PX,
    )
    silent: tuple[tuple[str, CardValue], ...] = tuple((key, None) for key in COORDINATES)
    return Shot(
        path=look.path,
        kind="light",
        rig=RIG,
        seed=(look.night, look.number),
        start_utc=start,
        exposure_s=LENGTH_S,
        band=FILTERS["L"],
        filter_written="L",
        target_written=NAME,
        pointing=pointing,
        scene=scene,
        at=at,
        pier_side="EAST" if at.hour_angle_h > 0 else "WEST",
        cards=silent if look.told_deg is None else (),
    )


def _draw(folder: str, look: Look) -> None:
    make_frame(folder, shot_of(look))


def draw_looks(folder: Path, looks: Sequence[Look], workers: int = 2) -> None:
    """Draw frames into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(workers) as executor:
        list(executor.map(partial(_draw, str(folder)), looks, chunksize=4))


def truths(looks: Sequence[Look]) -> dict[str, float]:
    """Give the true light of each frame against the clearest of its place."""
    clearest: dict[str, float] = defaultdict(float)
    for look in looks:
        clearest[look.field] = max(clearest[look.field], look.light)
    return {look.path: look.light / clearest[look.field] for look in looks}


def cloud(number: int, count: int, left: float) -> float:
    """Give a passage of cloud over the middle of a night: clear at both ends."""
    along = (number - (count - 1) / 2) / (count / 5)
    return float(1.0 - (1.0 - left) * np.exp(-0.5 * along**2))


# --- what is drawn --------------------------------------------------------------------------

APART_DEG = 0.6


def night_at(night: int, count: int, field: str, left: float, first: int = 0) -> list[Look]:
    """Plan a night at one place; `left` is what cloud leaves at its worst."""
    told = 0.0 if field == "A" else APART_DEG
    return [
        Look(night, first + n, field, light=cloud(n, count, left), told_deg=told)
        for n in range(count)
    ]


def two_nights(count: int = 14) -> list[Look]:
    """Plan one clear night at one place and one under cloud at another."""
    return night_at(0, count, "A", 1.0) + night_at(1, count, "B", 0.3)


def one_night(count: int = 12) -> list[Look]:
    """Plan both places within one night, the second under cloud, then clear nights at neither."""
    return night_at(0, count, "A", 1.0) + night_at(0, count, "B", 0.35, first=count)


def comet(nights: int = 6, count: int = 8) -> list[Look]:
    """Plan a slow comet: a quarter of the field a night; two nights have cloud."""
    return [
        Look(
            night, n, away=0.25 * night, told_deg=0.25 * night * FIELD_DEG,
            light=cloud(n, count, 0.4) if night in (2, 4) else 1.0,
        )
        for night in range(nights)
        for n in range(count)
    ]  # fmt: skip


def slewed_wrong(count: int = 16) -> list[Look]:
    """Plan a good night and one on which three frames show a place the rig was not sent to."""
    second = night_at(1, count, "A", 0.4)
    lost = [replace(look, field="C", light=1.0) for look in second[9:12]]
    return night_at(0, count, "A", 1.0) + second[:9] + lost + second[12:]


def untold(looks: Sequence[Look]) -> list[Look]:
    """Let every header point home: the mount was not synced."""
    return [replace(look, told_deg=0.0) for look in looks]


def silent(looks: Sequence[Look]) -> list[Look]:
    """Let no header say where it points."""
    return [replace(look, told_deg=None) for look in looks]


def astray(looks: Sequence[Look]) -> list[Look]:
    """Let headers point somewhere else every time, degrees away, whatever the stars are."""
    return [replace(look, told_deg=1.7 * ((look.number * 7) % 5)) for look in looks]
