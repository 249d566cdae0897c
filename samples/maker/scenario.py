"""The invented rig, site, targets and filters that every sample night is made with."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Site:
    """An observing place; longitude east positive."""

    name: str = "Hollow Hill"
    latitude_deg: float = 50.10
    longitude_deg: float = 14.35
    elevation_m: float = 410.0


@dataclass(frozen=True, slots=True)
class Telescope:
    """A small apochromatic refractor: no obstruction, so a defocused star is a plain disc."""

    name: str = "Ladybird 90/540"
    aperture_mm: float = 90.0
    focal_mm: float = 540.0
    optics_fwhm_arcsec: float = 1.9  # diffraction, aberrations and guiding jitter together
    focus_shift_um_c: float = 38.0  # the tube shortens as it cools
    focuser_step_um: float = 3.2
    throughput: float = 0.5  # glass and quantum efficiency together
    obstruction: float = 0.0  # diameter of a secondary mirror over the aperture's

    @property
    def area_cm2(self) -> float:
        """Collecting area."""
        return 3.14159265 * (self.aperture_mm / 20.0) ** 2


@dataclass(frozen=True, slots=True)
class Camera:
    """A cooled monochrome camera at one gain and offset setting."""

    name: str = "MonoCam 9"
    rows: int = 960
    columns: int = 1280
    pixel_um: float = 4.8
    gain: int = 100
    offset: int = 50
    egain_e_adu: float = 1.1
    read_noise_e: float = 3.4
    pedestal_adu: float = 500.0
    set_c: float = -10.0
    dark_e_s: float = 0.003  # per pixel at -10 C
    dark_doubling_c: float = 6.0
    hot_share: float = 8e-4
    cosmic_cm2_min: float = 3.0  # muons and local gammas
    saturation_adu: int = 65535
    serial: int = 9  # fixes this sensor's hot pixels, dust and pattern

    @property
    def shape(self) -> tuple[int, int]:
        """Rows, columns."""
        return self.rows, self.columns


@dataclass(frozen=True, slots=True)
class Filter:
    """One pass band: width, extinction, darkest sky, and what it passes of emission lines."""

    key: str
    width_nm: float
    extinction_mag: float
    dark_sky_mag: float  # per square arcsecond, at the zenith, no Moon
    colour_slope: float  # flux change in mag per mag of a star's colour excess over the mean
    passes_h_alpha: bool
    focus_offset_um: float = 0.0
    flat_s: float = 2.0


FILTERS: dict[str, Filter] = {
    "L": Filter("L", 300.0, 0.20, 21.2, 0.0, True, 0.0, 1.2),
    "R": Filter("R", 90.0, 0.13, 20.9, -0.5, True, 6.0, 2.6),
    "G": Filter("G", 90.0, 0.20, 21.3, 0.0, False, -3.0, 2.4),
    "B": Filter("B", 90.0, 0.30, 21.9, 0.7, False, -10.0, 3.1),
    "Ha": Filter("Ha", 7.0, 0.10, 20.9, -0.5, True, 8.0, 14.0),
}


@dataclass(frozen=True, slots=True)
class Target:
    """A catalogue object, J2000, and what glows there."""

    key: str
    ra_deg: float
    dec_deg: float
    glow: str  # "nebula" or "galaxy"
    angle_deg: float  # camera angle it is framed at


TARGETS: dict[str, Target] = {
    "NGC 7000": Target("NGC 7000", 314.82, 44.52, "nebula", 1.5),
    "M 33": Target("M 33", 23.46, 30.66, "galaxy", -2.0),
}


@dataclass(frozen=True, slots=True)
class Scale:
    """Size of the sample set: frame, star counts, file form, calibration frames a set."""

    name: str
    camera: Camera
    stars: int  # detectable in one clear 5 minute L frame, roughly
    suffix: str
    calibration: int
    flat_filters: tuple[str, ...]


SCALES: dict[str, Scale] = {
    "small": Scale("small", Camera(rows=408, columns=544), 260, ".fits.fz", 3, ("L",)),
    "demo": Scale("demo", Camera(), 600, ".fits", 5, ("L", "R", "G", "B", "Ha")),
    "full": Scale("full", Camera(rows=2472, columns=3296), 1500, ".fits", 0, ()),
}


@dataclass(frozen=True, slots=True)
class Block:
    """Frames of one target, its filters taken in turn."""

    target: str
    written: str  # how the target is spelled in the headers of that night
    filters: tuple[str, ...]
    frames: int
    refocus: bool = False  # an autofocus run before the first frame


@dataclass(frozen=True, slots=True)
class Cloud:
    """A passage of cloud, by the number of its deepest light frame."""

    middle: float
    width: float  # frames, one standard deviation
    depth: float  # share of starlight taken at the deepest


# How files are named differs from rig to rig, and changes with every new program on one.
NUMBERED = "{target}_{filter}_{length}_{number:04d}"
BY_START = "{start:%Y%m%d-%H%M%S}_{target}_{filter}_{length}"
BY_FILTER = "{filter}-{number:03d}-{target}-{length}"


@dataclass(frozen=True, slots=True)
class Script:
    """What is planned for one night and what goes wrong; light frames are numbered from 0."""

    evening: str
    start_utc: str
    blocks: tuple[Block, ...]
    filter_names: dict[str, str]
    exposure_s: float = 300.0
    air_start_c: float = 13.0
    air_drop_c: float = 7.0
    focus_stuck_from: int | None = None  # no longer moved as the air cools, until a refocus
    seeing_arcsec: float = 3.1
    soft: tuple[int, int] | None = None  # a spell of poor seeing, first and last frame
    clouds: tuple[Cloud, ...] = ()
    trailed: dict[int, float] | None = None  # frame -> trail length in px
    knocked: int | None = None
    focus_error_um: dict[int, float] | None = None
    satellites: tuple[int, ...] = ()
    backup: int | None = None  # this frame is copied to the backup folder
    naming: str = NUMBERED  # of light frames: by target, filter, length, number, start


SHORT_NAMES = {"L": "L", "R": "R", "G": "G", "B": "B", "Ha": "Ha"}
LONG_NAMES = {"L": "Lum", "R": "Red", "G": "Green", "B": "Blue", "Ha": "H-alpha"}

DEMO_NIGHTS = (
    # Waning Moon, 60 % lit, rises an hour into the run; the focuser stops following the air.
    Script(
        evening="2026-10-02",
        start_utc="2026-10-02T18:34:00",
        blocks=(
            Block("NGC 7000", "NGC7000", ("L", "R", "G", "B"), 24, refocus=True),
            Block("NGC 7000", "NGC7000", ("Ha",), 12, refocus=True),
            Block("M 33", "M 33", ("L",), 10),
        ),
        filter_names=LONG_NAMES,
        air_drop_c=10.0,
        focus_stuck_from=10,
        satellites=(4,),
    ),
    # New Moon: a good night with a passage of cloud, a knock, and dawn at the end.
    Script(
        evening="2026-10-09",
        start_utc="2026-10-09T22:24:00",
        blocks=(
            Block("M 33", "M33", ("L",), 20, refocus=True),
            Block("M 33", "M33", ("R", "G", "B"), 18),
            Block("M 33", "M33", ("Ha",), 8, refocus=True),
            Block("M 33", "M33", ("L",), 18),
        ),
        filter_names=SHORT_NAMES,
        naming=BY_START,
        air_start_c=8.0,
        air_drop_c=4.0,
        clouds=(Cloud(27.0, 2.2, 0.72), Cloud(30.5, 1.2, 0.35)),
        knocked=12,
        satellites=(7, 49),
        backup=3,
    ),
    # A young Moon sets in the first hour; guiding fails for a while; seeing worsens for a while.
    Script(
        evening="2026-10-16",
        start_utc="2026-10-16T17:59:00",
        blocks=(
            Block("NGC 7000", "NGC 7000", ("Ha",), 14, refocus=True),
            Block("NGC 7000", "NGC 7000", ("L",), 14),
            Block("M 33", "M33", ("R", "G", "B"), 18, refocus=True),
        ),
        filter_names=SHORT_NAMES,
        naming=BY_FILTER,
        air_start_c=9.0,
        air_drop_c=5.0,
        trailed={18: 5.5, 19: 8.0, 20: 9.5, 21: 7.0, 22: 4.5},
        soft=(35, 39),
        satellites=(25,),
    ),
)

SMALL_NIGHTS = (
    Script(
        evening="2026-10-09",
        start_utc="2026-10-09T21:30:00",
        blocks=(Block("M 33", "M33", ("L",), 12),),
        filter_names=SHORT_NAMES,
        air_start_c=8.0,
        air_drop_c=4.0,
        clouds=(Cloud(8.0, 1.0, 0.7),),
        satellites=(3,),
        backup=1,
    ),
    Script(
        evening="2026-10-12",
        start_utc="2026-10-12T22:00:00",
        blocks=(
            Block("M 33", "M 33", ("L",), 9),
            Block("NGC 7000", "NGC 7000", ("Ha",), 3, refocus=True),
        ),
        filter_names=LONG_NAMES,
        naming=BY_START,
        air_start_c=8.0,
        air_drop_c=4.0,
        trailed={3: 6.0, 4: 8.5},
        focus_error_um={6: 110.0, 7: 170.0},
    ),
)


def _speed_night(evening: str) -> Script:
    """Plan 71 light frames with a little of everything, for measuring speed."""
    return Script(
        evening=evening,
        start_utc=f"{evening}T19:40:00",
        blocks=(
            Block("M 33", "M33", ("L",), 31),
            Block("M 33", "M33", ("R", "G", "B"), 24),
            Block("M 33", "M33", ("Ha",), 16),
        ),
        filter_names=SHORT_NAMES,
        clouds=(Cloud(40.0, 2.0, 0.6),),
        trailed={10: 6.0, 11: 9.0},
        focus_error_um={60: 120.0, 61: 200.0},
        satellites=(20, 47),
    )


FULL_NIGHTS = tuple(_speed_night(day) for day in ("2026-10-09", "2026-10-10", "2026-10-11"))

NIGHTS: dict[str, tuple[Script, ...]] = {
    "small": SMALL_NIGHTS,
    "demo": DEMO_NIGHTS,
    "full": FULL_NIGHTS,
}
DEFAULT_NIGHTS = {"small": 2, "demo": 3, "full": 1}
