"""Add to a measurement what is broken about the frame itself: read-out, doubled stars."""

from dataclasses import replace

from runlog.core.frame import Measurement
from runlog.measure.doubled import find_doubling
from runlog.measure.readout import Array, find_glitch


def with_flaws(pixels: Array, found: Measurement) -> Measurement:
    """Look for read-out glitches and for stars that stand twice."""
    found = replace(found, readout=find_glitch(pixels, found.noise_adu))
    doubling = find_doubling(found.star_list, found.fwhm_px)
    if doubling is None or found.doubled_px is not None:
        return found
    return replace(found, doubled_share=doubling.share, doubled_px=doubling.apart_px)
