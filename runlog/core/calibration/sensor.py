"""The settings of a camera that calibration frames and lights must share."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Sensor:
    """Camera settings that a calibration frame must share with what it calibrates."""

    camera: str
    gain: float | None
    offset: float | None
    readout_mode: str | None
    binning: tuple[int, int]
    size: tuple[int, int]  # the region read out
    partial: bool = False  # it is smaller than the sensor
    origin: tuple[int, int] | None = None  # where a partial one begins, unbinned; None: not told

    def fits(self, other: "Sensor") -> bool:
        """Tell whether all agree; a place on the sensor that is not told may be the same."""
        settings = (self.camera, self.gain, self.offset, self.readout_mode)
        others = (other.camera, other.gain, other.offset, other.readout_mode)
        return settings == others and self.fits_region(other)

    def fits_region(self, other: "Sensor") -> bool:
        """Tell whether the same pixels were read out, or may have been."""
        told = None in (self.origin, other.origin) or self.origin == other.origin
        region = (self.binning, self.size, self.partial)
        return told and region == (other.binning, other.size, other.partial)

    @property
    def unplaced(self) -> bool:
        """Tell whether it is not known which part of the sensor was read out."""
        return self.partial and self.origin is None

    def in_words(self) -> str:
        """Say the settings after what was taken by them: ", gain 100, offset 50, binning 1"."""
        gain = "" if self.gain is None else f", gain {self.gain:g}"
        offset = "" if self.offset is None else f", offset {self.offset:g}"
        across, down = self.binning
        binning = f", binning {across}" + ("" if across == down else f"x{down}")
        return f"{gain}{offset}{binning}{self._region()}"

    def _region(self) -> str:
        if not self.partial:
            return ""
        place = "" if self.origin is None else f" from {self.origin[0]}, {self.origin[1]}"
        return f", region {self.size[0]}x{self.size[1]}{place}"
