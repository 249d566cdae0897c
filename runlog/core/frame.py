"""The nouns of the trade as frozen dataclasses: header, measurement, grade, fault."""

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from runlog.core.sensor.signs import Signs


class Kind(StrEnum):
    """What a frame was taken for."""

    LIGHT = "light"
    DARK = "dark"
    BIAS = "bias"
    FLAT = "flat"
    FLAT_DARK = "flat-dark"
    FOCUS = "focus"
    STACK = "stack"
    OTHER = "other"


class Stage(StrEnum):
    """How far a frame has been processed, rawest first."""

    RAW = "raw"
    CALIBRATED = "calibrated"
    DEBAYERED = "debayered"
    REGISTERED = "registered"

    @property
    def rank(self) -> int:
        """0 for raw, rising with every step away from the camera."""
        return list(Stage).index(self)


class Grade(StrEnum):
    """The verdict on a light frame."""

    KEEP = "keep"
    DOUBTFUL = "doubtful"
    REJECT = "reject"
    UNGRADED = "ungraded"


class FaultName(StrEnum):
    """Why a frame is not a clean keep."""

    TRAILED = "trailed"
    DOUBLED = "doubled"
    DEFOCUSED = "defocused"
    SOFT = "soft"
    CLOUD = "cloud"
    OBSTRUCTED = "obstructed"
    BRIGHT_SKY = "bright-sky"
    FEW_STARS = "few-stars"
    OFF_TARGET = "off-target"
    CLIPPED = "clipped"
    STREAK = "streak"
    READOUT = "readout"
    TILTED = "tilted"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True)
class Card:
    """One header card as written: keyword, value (None when undefined) and comment."""

    keyword: str
    value: str | int | float | bool | None
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Shape:
    """Size of the pixel array: columns, rows, colour planes, FITS BITPIX of the stored values."""

    width: int
    height: int
    planes: int = 1
    bitpix: int = 16


@dataclass(frozen=True, slots=True)
class Question:
    """Something in a header that cannot be believed as it stands, in words for a person."""

    code: str
    text: str
    cure: str = ""  # what `runlog correct` is given, a field and its value; one a line


@dataclass(frozen=True, slots=True)
class FrameHeader:
    """What a header says, in fixed units; None where it is silent or cannot be believed."""

    kind: Kind
    kind_from: str  # "header", "folder name", "file name", "shape of the exposure" ...
    stage: Stage = Stage.RAW
    taken_at_utc: datetime | None = None  # start of exposure, timezone-aware UTC
    time_from: str | None = None  # keyword(s) the time was read from
    exposure_s: float | None = None
    filter: str | None = None  # canonical spelling
    filter_raw: str | None = None
    target: str | None = None  # as written
    camera: str | None = None
    telescope: str | None = None
    focal_mm: float | None = None
    aperture_mm: float | None = None
    pixel_um: float | None = None  # of one unbinned photosite
    arcsec_per_px: float | None = None  # of a stored pixel, binning included
    binning_x: int = 1
    binning_y: int = 1
    gain: float | None = None  # the camera's setting, unitless
    egain_e_adu: float | None = None  # electrons per ADU
    offset: float | None = None
    readout_mode: str | None = None
    read_noise_e: float | None = None
    sensor_c: float | None = None
    set_c: float | None = None
    focus_pos: float | None = None
    focus_c: float | None = None
    ambient_c: float | None = None
    ra_deg: float | None = None  # where the mount pointed, else the object's
    dec_deg: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None  # east positive
    elevation_m: float | None = None
    pier_side: str | None = None  # "east" or "west": where the telescope stands
    rotator_deg: float | None = None  # mechanical angle
    sky_angle_deg: float | None = None
    airmass: float | None = None
    bayer: str | None = None  # RGGB, BGGR, GRBG, GBRG, from the first stored row
    pedestal_adu: float | None = None  # level to subtract to get to zero light
    saturation_adu: float | None = None
    combined: int | None = None  # how many exposures went into a stack
    software: str | None = None
    questions: tuple[Question, ...] = ()


@dataclass(frozen=True, slots=True)
class Streak:
    """One satellite or aircraft trail by its two ends, in 0-based pixel coordinates."""

    x0: float
    y0: float
    x1: float
    y1: float


@dataclass(frozen=True, slots=True)
class Zone:
    """One ninth of the frame; None where it holds too few stars to say."""

    stars: int
    fwhm_px: float | None = None
    eccentricity: float | None = None
    elongation_deg: float | None = None


@dataclass(frozen=True, slots=True)
class Field:
    """How star shapes vary over the frame."""

    zones: tuple[Zone, ...]  # nine, row by row from the origin
    tilt: float | None = None  # span of the fitted FWHM plane over the frame / median FWHM
    curvature: float | None = None  # (corner - centre) / centre of the fitted FWHM
    worst_eccentricity: float | None = None


@dataclass(frozen=True, slots=True)
class StarList:
    """The brightest stars, brightest first: 0-based pixel coordinates and flux in ADU."""

    x: tuple[float, ...] = ()
    y: tuple[float, ...] = ()
    flux_adu: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Measurement:
    """What the pixels of a light frame say. None means "cannot be told", `notes` say why."""

    stars: int = 0
    fwhm_px: float | None = None
    fwhm_px_err: float | None = None
    axis_ratio: float | None = None
    eccentricity: float | None = None
    eccentricity_err: float | None = None
    elongation_deg: float | None = None
    alignment: float | None = None
    hfr_px: float | None = None
    background_adu: float | None = None
    noise_adu: float | None = None
    hot_pixels_ppm: float | None = None  # single bright pixels per million
    gradient_adu: float | None = None  # span of the sky mesh; the pedestal is not known here
    clipped_stars: int = 0
    streaks: tuple[Streak, ...] = ()
    field: Field | None = None
    beta: float | None = None  # shared Moffat index; None when model-free
    width_from: str | None = None  # "moffat" or "moments"
    star_list: StarList = StarList()
    doubled_share: float | None = None  # of the bright stars that stand twice
    doubled_px: float | None = None  # how far apart
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Level:
    """What the pixels of a calibration frame say, in ADU."""

    median_adu: float
    noise_adu: float
    low_adu: float  # 1st percentile
    high_adu: float  # 99th percentile
    ceiling_adu: float | None = None  # saturation level the share is taken of
    corner_excess_adu: float | None = None  # brightest ninth minus faintest ninth: light leak


@dataclass(frozen=True, slots=True)
class Fault:
    """One reason for a grade, with its evidence in words and numbers."""

    name: FaultName
    grade: Grade
    evidence: str


@dataclass(frozen=True, slots=True)
class SmallImage:
    """An image at one byte a pixel, finest near the sky: see `runlog.ingest.preview`."""

    width: int
    height: int
    zero_adu: float  # the sky
    soft_adu: float  # where the scale bends from linear to logarithmic
    levels: float  # codes per e-fold
    packed: bytes


@dataclass(frozen=True, slots=True)
class Preview:
    """A light frame for the eye: shrunk to fit a screen, with cut-outs at full resolution."""

    shrink: int  # pixels of the frame per pixel of the image, along each side
    image: SmallImage
    cutouts: SmallImage  # squares one above another, in the order of `corners`
    corners: tuple[tuple[int, int], ...]  # x, y of each cut-out's first pixel in the frame


@dataclass(frozen=True, slots=True)
class ReadFrame:
    """What one file gave: pixels' key, header as written, and what was measured."""

    content_key: str
    cards: tuple[Card, ...]
    shape: Shape
    measurement: Measurement | None = None  # None when not a light, or measured before
    level: Level | None = None
    measured_with: int | None = None  # version of the measurement code
    signs: Signs | None = None  # of its rows; None when they were not looked at
    preview: Preview | None = None  # None when not a light, or measured before


@dataclass(frozen=True, slots=True)
class RunFrame:
    """One frame among its run: what grading, the story and the totals look at."""

    key: str  # content key
    kind: Kind
    kind_from: str
    taken_at_utc: datetime | None
    exposure_s: float | None
    target: str
    filter: str
    width: int = 0
    height: int = 0
    binning: int = 1
    gain: float | None = None
    sensor_c: float | None = None
    set_c: float | None = None
    focus_pos: float | None = None
    focus_c: float | None = None
    pier_side: str | None = None
    airmass: float | None = None
    moon_alt_deg: float | None = None
    moon_sep_deg: float | None = None
    sun_alt_deg: float | None = None
    pedestal_adu: float | None = None
    offset: float | None = None
    egain_e_adu: float | None = None
    arcsec_per_px: float | None = None
    resampled: bool = False  # its pixels are mixed from those of the raw frame: less noise
    measured: bool = False
    stars: int | None = None
    fwhm_px: float | None = None
    fwhm_px_err: float | None = None
    axis_ratio: float | None = None
    eccentricity: float | None = None
    eccentricity_err: float | None = None
    elongation_deg: float | None = None
    alignment: float | None = None
    hfr_px: float | None = None
    background_adu: float | None = None
    noise_adu: float | None = None
    hot_pixels_ppm: float | None = None
    ranked_flux_adu_s: float | None = None
    beta: float | None = None
    width_from: str | None = None
    clipped_stars: int | None = None
    streaks: int = 0
    tilt: float | None = None
    curvature: float | None = None
    zone_stars: tuple[int, ...] = ()  # stars in each ninth of the frame
    readout: str | None = None  # what went wrong while it was read out, by its camera's frames
    readout_doubt: str | None = None  # what these cannot tell of its rows
    rows_out_of_place: str | None = None  # against the best frame of its field
    doubled_share: float | None = None
    doubled_px: float | None = None
    matched: bool | None = None  # None when there was nothing to match with
    reference: str | None = None  # content key of the frame it was matched with, of its field
    best_of_name: str | None = None  # that of the field most frames of its name and rig show
    field_runs: int | None = None  # runs that show its field: 1, or 2 for more
    throughput: float | None = None  # against the best frame of its field
    transparency: float | None = None  # the same with the airmass taken out
    best_sky_adu_s: float | None = None  # sky of that best frame, at the zenith
    shift_x_px: float | None = None
    shift_y_px: float | None = None
    rotation_deg: float | None = None
    notes: tuple[str, ...] = ()
    counted: bool = True


@dataclass(frozen=True, slots=True)
class Verdict:
    """The automatic grade of a frame with its reasons; `note` says what could not be compared."""

    grade: Grade
    faults: tuple[Fault, ...] = ()
    note: str | None = None
    alone: bool = False  # nothing to compare with: what no fault was found in is unknown
