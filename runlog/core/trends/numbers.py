"""What goes into the points of a run: the few values a frame brings."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from runlog.core.frame import Frame, Kind, Stage
from runlog.core.grading.summary import RunSummary, setting_in_words
from runlog.core.ledger.totals import RunSum


@dataclass(frozen=True, slots=True)
class CameraSetting:
    """How the camera was set."""

    binning_x: int
    binning_y: int
    gain: float | None
    offset: float | None
    readout_mode: str | None

    @property
    def in_words(self) -> str:
        """Say it as summaries of runs do."""
        binning = self.binning_x, self.binning_y
        return setting_in_words(binning, self.gain, self.offset, self.readout_mode)

    @property
    def binning_in_words(self) -> str:
        """Say the binning alone: widths and shapes hang on nothing else."""
        return setting_in_words((self.binning_x, self.binning_y), None, None, None)


@dataclass(frozen=True, slots=True)
class LightNumbers:
    """One light frame that counts."""

    setting: CameraSetting
    grade: str
    filter: str
    stage: str
    taken_at_utc: datetime | None
    exposure_s: float | None
    measured_with: int | None
    arcsec_per_px: float | None = None
    eccentricity: float | None = None
    tilt: float | None = None
    curvature: float | None = None
    background_adu: float | None = None
    noise_adu: float | None = None
    pedestal_adu: float | None = None
    egain_e_adu: float | None = None
    sun_alt_deg: float | None = None
    moon_alt_deg: float | None = None
    airmass: float | None = None
    set_c: float | None = None
    sensor_c: float | None = None

    @property
    def cold_c(self) -> float | None:
        """The temperature asked for; of a camera that is not told one, what it had."""
        return self.sensor_c if self.set_c is None else self.set_c

    @property
    def sky_adu(self) -> float | None:
        """Sky above the zero level; None where either is unknown."""
        if self.background_adu is None or self.pedestal_adu is None:
            return None
        return self.background_adu - self.pedestal_adu

    @property
    def raw(self) -> bool:
        """Tell whether its pixels are as the camera gave them."""
        return self.stage == Stage.RAW.value


@dataclass(frozen=True, slots=True)
class LevelNumbers:
    """One bias or dark frame."""

    setting: CameraSetting
    kind: str
    exposure_s: float | None
    cold_c: float | None
    median_adu: float | None
    noise_adu: float | None


@dataclass(slots=True)
class RunNumbers:
    """Everything that goes into them."""

    lights: list[LightNumbers] = field(default_factory=list)
    levels: list[LevelNumbers] = field(default_factory=list)
    summaries: list[RunSummary] = field(default_factory=list)
    logged_s: float = 0.0
    kept_s: float = 0.0


ZEROS = (Kind.BIAS, Kind.DARK)


def numbers_of(
    frames: Iterable[Frame], summaries: Sequence[RunSummary], sums: Iterable[RunSum]
) -> RunNumbers:
    """Take from a run's frames what their series need; `sums` are its seconds in parts."""
    parts = sorted(sums, key=lambda part: (part.target, part.filter))
    numbers = RunNumbers(
        summaries=sorted(summaries, key=lambda s: (s.filter, s.setting)),
        logged_s=sum(part.logged_s for part in parts),
        kept_s=sum(part.kept_s for part in parts),
    )
    for frame in frames:
        if frame.is_light:
            numbers.lights.append(_light(frame))
        elif _is_level(frame):
            numbers.levels.append(_level(frame))
    return numbers


def _is_level(frame: Frame) -> bool:
    single = frame.identity.counted and frame.header.stage is Stage.RAW
    return single and frame.context.kind in ZEROS and frame.measurement.level is not None


def _setting(frame: Frame) -> CameraSetting:
    h = frame.header
    return CameraSetting(h.binning_x, h.binning_y, h.gain, h.offset, h.readout_mode)


def _light(frame: Frame) -> LightNumbers:
    header, found, context = frame.header, frame.measurement, frame.context
    return LightNumbers(
        _setting(frame),
        frame.judgement.grade.value,
        context.filter,
        header.stage.value,
        header.taken_at_utc,
        header.exposure_s,
        found.measured_with,
        arcsec_per_px=header.arcsec_per_px,
        eccentricity=found.eccentricity,
        tilt=found.field.tilt if found.field else None,
        curvature=found.field.curvature if found.field else None,
        background_adu=found.background_adu,
        noise_adu=found.noise_adu,
        pedestal_adu=context.pedestal_adu,
        egain_e_adu=header.egain_e_adu,
        sun_alt_deg=context.sun_alt_deg,
        moon_alt_deg=context.moon_alt_deg,
        airmass=context.airmass,
        set_c=header.set_c,
        sensor_c=header.sensor_c,
    )


def _level(frame: Frame) -> LevelNumbers:
    header, level = frame.header, frame.measurement.level
    return LevelNumbers(
        _setting(frame),
        frame.context.kind.value,
        header.exposure_s,
        header.sensor_c if header.set_c is None else header.set_c,
        level.median_adu if level else None,
        level.noise_adu if level else None,
    )
