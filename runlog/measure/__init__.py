"""Measure frames: pure arrays in, dataclass out."""

from runlog.measure.frame import measure_frame
from runlog.measure.level import measure_level

__all__ = ["measure_frame", "measure_level"]
