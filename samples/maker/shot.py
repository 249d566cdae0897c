"""One planned frame: everything needed to draw it and to write its header."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from .psf import Optics, Psf
from .scenario import Camera, Filter, Site, Target, Telescope
from .sky import Circumstances, Direction
from .spoil import Glitch, Shade
from .stars import MARGIN_PX, Placement

CardValue = str | int | float | bool | None
Ends = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Rig:
    """The equipment, and the site it stands on."""

    camera: Camera = field(default_factory=Camera)
    telescope: Telescope = field(default_factory=Telescope)
    site: Site = field(default_factory=Site)
    optics: Optics = field(default_factory=Optics)

    @property
    def arcsec_px(self) -> float:
        """Plate scale of an unbinned pixel."""
        return 206.264806 * self.camera.pixel_um / self.telescope.focal_mm


@dataclass(frozen=True, slots=True)
class Scene:
    """What an open shutter sees."""

    target: Target
    place: Placement
    psf: Psf
    stars: int  # detectable in a clear 5 minute L frame
    sky_e_s: float  # per unbinned pixel, at the centre
    gradient: tuple[float, float] = (0.0, 0.0)  # change of the sky across the frame, as a share
    transparency: float = 1.0  # what cloud leaves of the starlight
    extinction: float = 1.0  # what the air leaves, against the zenith outside it
    streaks: tuple[Ends, ...] = ()
    glow: bool = True
    margin_px: float = MARGIN_PX  # sky around the frame; the same for all frames of a target
    shade: Shade | None = None


@dataclass(frozen=True, slots=True)
class Shot:
    """One frame to be made."""

    path: str  # below the folder of the nights, with forward slashes
    kind: str
    rig: Rig
    seed: tuple[int, ...]
    start_utc: datetime
    exposure_s: float
    field_seed: int = 7
    image_type: str = "Light Frame"
    binning: int = 1
    sensor_c: float = -10.0
    air_c: float = 10.0
    focus_steps: int = 11000
    band: Filter | None = None
    filter_written: str | None = None
    target_written: str | None = None
    pointing: Direction | None = None
    pier_side: str | None = None
    at: Circumstances | None = None
    scene: Scene | None = None
    light_e: float = 0.0  # even light of a flat panel, electrons a pixel
    glitch: Glitch | None = None
    faults: tuple[str, ...] = ()
    cards: tuple[tuple[str, CardValue], ...] = ()  # put over the header's own; None removes
