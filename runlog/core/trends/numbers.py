"""What is read of a rig's runs to make series of them: the few values a frame brings."""

from dataclasses import dataclass, field
from datetime import datetime

from runlog.core.frame import Stage
from runlog.core.grading.summary import RunSummary, setting_in_words


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
    """Everything that is read of one run."""

    night: str
    lights: list[LightNumbers] = field(default_factory=list)
    levels: list[LevelNumbers] = field(default_factory=list)
    summaries: list[RunSummary] = field(default_factory=list)
    logged_s: float = 0.0
    kept_s: float = 0.0
