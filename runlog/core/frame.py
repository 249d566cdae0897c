"""The one definition of a frame: what it is, what its header and its pixels say, where it stands.

`Frame` is made of six parts. The columns of the table of frames, how its rows become frames and
back, the labels, units and formats of values: all are derived from the fields of these parts.
"""

from dataclasses import dataclass, field
from dataclasses import field as value  # one of the values is a field
from datetime import datetime
from enum import StrEnum

from runlog.core.described import kept, shown
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
    DEW = "dew"
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

    kind: Kind = field(metadata=kept("header_kind"))
    # "header", "folder name", "file name", "shape of the exposure" ...
    kind_from: str = field(metadata=kept("header_kind_from"))
    stage: Stage = Stage.RAW
    # without what the names of file and folder tell
    stage_by_cards: Stage = field(default=Stage.RAW, metadata=kept(None))
    taken_at_utc: datetime | None = None  # start of exposure, timezone-aware UTC
    time_from: str | None = None  # keyword(s) the time was read from
    exposure_s: float | None = field(default=None, metadata=shown("length", "s", "{:g} s"))
    filter: str | None = field(default=None, metadata=kept(None))  # canonical spelling
    filter_raw: str | None = None
    target: str | None = field(default=None, metadata=kept("target_raw"))  # as written
    camera: str | None = field(default=None, metadata=kept(None))
    telescope: str | None = field(default=None, metadata=kept(None))
    focal_mm: float | None = None
    aperture_mm: float | None = field(default=None, metadata=kept(None))
    pixel_um: float | None = None  # of one unbinned photosite
    arcsec_per_px: float | None = None  # of a stored pixel, binning included
    binning_x: int = 1
    binning_y: int = 1
    # the camera's setting, unitless
    gain: float | None = field(default=None, metadata=shown("gain", form="{:g}"))
    egain_e_adu: float | None = None  # electrons per ADU
    offset: float | None = None
    readout_mode: str | None = None
    read_noise_e: float | None = None
    sensor_c: float | None = None
    set_c: float | None = field(default=None, metadata=shown("set", "C", "{:.0f}"))
    focus_pos: float | None = None
    focus_c: float | None = None
    ambient_c: float | None = None
    ra_deg: float | None = None  # where the mount pointed, else the object's
    dec_deg: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None  # east positive
    elevation_m: float | None = None
    pier_side: str | None = None  # "east" or "west": where the telescope stands
    # mechanical angle
    rotator_deg: float | None = field(default=None, metadata=shown("rotator", form="{:.0f}"))
    sky_angle_deg: float | None = None
    airmass: float | None = field(default=None, metadata=kept("header_airmass"))
    bayer: str | None = field(default=None, metadata=kept(None))  # RGGB ..., from the first row
    # level to subtract to get to zero light
    pedestal_adu: float | None = field(default=None, metadata=kept("header_pedestal_adu"))
    saturation_adu: float | None = field(default=None, metadata=kept(None))
    combined: int | None = None  # how many exposures went into a stack
    software: str | None = field(default=None, metadata=kept(None))
    questions: tuple[Question, ...] = field(default=(), metadata=kept("header_questions"))

    @property
    def mosaic(self) -> str | None:
        """Pattern of colours among the stored pixels; None once these were brought together."""
        return self.bayer if self.stage in (Stage.RAW, Stage.CALIBRATED) else None


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


RANK = 25  # the star whose flux is followed through a run


@dataclass(frozen=True, slots=True)
class StarList:
    """The brightest stars, brightest first: 0-based pixel coordinates and flux in ADU."""

    x: tuple[float, ...] = ()
    y: tuple[float, ...] = ()
    flux_adu: tuple[float, ...] = ()

    @property
    def ranked_flux_adu(self) -> float | None:
        """Flux of the star that is followed through a run; None when the frame has fewer."""
        return self.flux_adu[RANK - 1] if len(self.flux_adu) >= RANK else None


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
class Measurement:
    """What a frame's pixels say. None means "cannot be told", and `notes` say why."""

    measured_with: int | None = None  # version of the measuring code; None when not measured
    stars: int | None = value(default=None, metadata=shown("stars", form="{:.0f}"))
    fwhm_px: float | None = value(default=None, metadata=shown("FWHM", "px", "{:.2f}"))
    fwhm_px_err: float | None = None
    axis_ratio: float | None = None
    eccentricity: float | None = value(default=None, metadata=shown("ecc.", form="{:.2f}"))
    eccentricity_err: float | None = None
    elongation_deg: float | None = None
    alignment: float | None = None
    hfr_px: float | None = value(default=None, metadata=shown("half-flux r", "px", "{:.2f}"))
    background_adu: float | None = value(default=None, metadata=shown("sky", "ADU", "{:.0f}"))
    noise_adu: float | None = value(default=None, metadata=shown("noise", "ADU", "{:.1f}"))
    # single bright pixels per million
    hot_pixels_ppm: float | None = value(default=None, metadata=shown("hot", "px/M", "{:.0f}"))
    gradient_adu: float | None = None  # span of the sky mesh; the pedestal is not known here
    clipped_stars: int | None = None
    # lines of light in the frame itself, whether or not other exposures show them too
    streaks: tuple[Streak, ...] = value(default=(), metadata=kept("streaks_seen", null=True))
    field: Field | None = None
    beta: float | None = None  # shared Moffat index; None when model-free
    width_from: str | None = None  # "moffat" or "moments"
    ranked_flux_adu: float | None = None  # of the star that is followed through a run
    # median highest pixel above the sky, of the brightest stars: it falls when they widen
    peak_adu: float | None = value(default=None, metadata=shown("peak", "ADU", "{:.0f}"))
    star_list: StarList = value(default=StarList(), metadata=kept(None))
    doubled_share: float | None = None  # of the bright stars that stand twice
    doubled_px: float | None = None  # how far apart
    notes: tuple[str, ...] = value(default=(), metadata=kept("notes", null=True))
    level: Level | None = None  # of a calibration frame
    signs: Signs | None = None  # of its rows; None when they were not looked at

    @property
    def measured(self) -> bool:
        """Tell whether its stars and sky were measured."""
        return self.measured_with is not None

    @property
    def tilt(self) -> float | None:
        """Span of the width over the frame, as a share of its median."""
        return self.field.tilt if self.field else None

    @property
    def curvature(self) -> float | None:
        """How much wider stars are in the corners than in the centre, as a share."""
        return self.field.curvature if self.field else None

    @property
    def zone_stars(self) -> tuple[int, ...]:
        """Stars in each ninth of the frame; empty where that is not known."""
        return tuple([zone.stars for zone in self.field.zones]) if self.field else ()


NOT_MEASURED = Measurement()


@dataclass(frozen=True, slots=True)
class Fault:
    """One reason for a grade, with its evidence in words and numbers."""

    name: FaultName
    grade: Grade
    evidence: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """The automatic grade of a frame with its reasons; `note` says what could not be compared."""

    grade: Grade
    faults: tuple[Fault, ...] = ()
    note: str | None = None
    alone: bool = False  # nothing to compare with: what no fault was found in is unknown


@dataclass(frozen=True, slots=True)
class Identity:
    """Which pixels a frame is, and whose."""

    content_key: str
    id: int = 0  # given by the database
    counted: bool = True  # the one frame of its exposure that counts
    camera_key: str = ""
    width: int = 0
    height: int = 0
    planes: int = 1
    bitpix: int = 16

    @property
    def shape(self) -> Shape:
        """The size of its pixel array."""
        return Shape(self.width, self.height, self.planes, self.bitpix)


@dataclass(frozen=True, slots=True)
class Context:
    """What stood around a frame: its run, its names folded, Sun and Moon, the zero level."""

    kind: Kind = field(metadata=shown("kind"))  # after a look at the whole run
    kind_from: str
    run_id: int = 0
    # ISO date of the evening, "" when undated
    night: str = field(default="", metadata=shown("night of") | kept(None))
    rig: str = field(default="", metadata=shown("rig") | kept(None))
    night_from: str = ""  # what local noon was taken from
    target: str = field(default="", metadata=shown("target"))
    filter: str = field(default="", metadata=shown("filter"))
    corrected: tuple[str, ...] = field(default=(), metadata=kept("corrected", null=True))
    airmass: float | None = field(default=None, metadata=shown("airmass", form="{:.2f}"))
    moon_alt_deg: float | None = None
    moon_sep_deg: float | None = None
    sun_alt_deg: float | None = None
    pedestal_adu: float | None = None
    pedestal_from: str | None = None


@dataclass(frozen=True, slots=True)
class Placement:
    """How a frame compares with others: the best of its field, and those of its camera."""

    matched_to: str | None = None  # content key of the reference; None when never tried
    matched_past: str | None = None  # digest of the references tried before it
    best_of_name: str | None = None  # reference of the field most frames of its name and rig show
    field_runs: int | None = None  # runs that show its field: 1, or 2 for more
    throughput: float | None = None  # against the best frame of its field
    transparency: float | None = None  # the same with the airmass taken out
    shift_x_px: float | None = None
    shift_y_px: float | None = None
    rotation_deg: float | None = None
    rows_out_of_place: str | None = None  # against the best frame of its field
    readout: str | None = None  # what went wrong while it was read out, by its camera's frames
    readout_doubt: str | None = None  # what these cannot tell of its rows
    # those lines of light that other exposures do not show
    streaks: tuple[Streak, ...] = field(default=(), metadata=kept("streaks", null=True))
    # sky of the best frame of its name, at the zenith
    best_sky_adu_s: float | None = field(default=None, metadata=kept(None))

    @property
    def matched(self) -> bool | None:
        """Tell whether its stars were found on the reference; None when there was none."""
        return None if self.matched_to is None else self.shift_x_px is not None


class Lacks(StrEnum):
    """What of a frame's depth cannot be told."""

    GAIN = "gain"  # electrons per ADU
    ZERO = "zero"  # the level without light
    STARS = "stars"  # their width, or their light against other frames
    WHOLE = "whole"  # a part of the frame is not sky, or its pixels are not where they belong


@dataclass(frozen=True, slots=True)
class Judgement:
    """What a frame is worth, by the rules and by a person."""

    auto_grade: Grade = Grade.UNGRADED
    grade: Grade = field(default=Grade.UNGRADED, metadata=shown("grade"))  # the one in force
    graded_by: str = "auto"  # or "person"
    faults: tuple[Fault, ...] = ()
    note: str | None = None
    # Depth reached, without a reference: t T^2 / (FWHM^2 v), and without the width.
    depth_base: str | None = None  # content key of the frame whose ADU its light is counted in
    light_e_adu: float | None = None  # T: electrons for each of those ADU, per second
    point_s2_adu2: float | None = None
    extended_s2_arcsec2_adu2: float | None = None
    depth_lacks: Lacks | None = None  # why there is none
    # The same over the references of today: found when it is read, never kept.
    effective_s: float | None = field(default=None, metadata=kept(None))
    effective_form: str | None = field(default=None, metadata=kept(None))
    # what the whole run shows to be doubtful in its header
    questions: tuple[Question, ...] = field(default=(), metadata=kept("run_questions"))
    # what people say of it whose rig it is not: changes no grade
    said: tuple[str, ...] = field(default=(), metadata=kept(None))


@dataclass(frozen=True, slots=True)
class Frame:
    """One image as its pixels say, in however many files."""

    identity: Identity
    header: FrameHeader
    measurement: Measurement
    context: Context
    placement: Placement = Placement()
    judgement: Judgement = Judgement()

    @property
    def key(self) -> str:
        """Its content key."""
        return self.identity.content_key

    @property
    def is_light(self) -> bool:
        """Tell whether it is a light that counts for its exposure."""
        return self.context.kind is Kind.LIGHT and self.identity.counted

    @property
    def resampled(self) -> bool:
        """Tell whether its pixels are mixed from those of the raw frame: less noise."""
        return self.header.stage is Stage.REGISTERED

    @property
    def ranked_flux_adu_s(self) -> float | None:
        """Flux, a second, of the star that is followed through a run."""
        flux, seconds = self.measurement.ranked_flux_adu, self.header.exposure_s
        return flux / seconds if flux is not None and seconds else None

    @property
    def fwhm_arcsec(self) -> float | None:
        """Width of its stars in arc seconds, where the header tells the plate scale."""
        width, scale = self.measurement.fwhm_px, self.header.arcsec_per_px
        return width * scale if width is not None and scale else None

    @property
    def gradient_pct(self) -> float | None:
        """Span of the sky over its median, known only where the pedestal is."""
        span, level = self.measurement.gradient_adu, self.measurement.background_adu
        zero = self.context.pedestal_adu
        if span is None or level is None or zero is None or level <= zero:
            return None
        return 100 * span / (level - zero)
