"""What a frame says for and against each cause that is warned of."""

from collections.abc import Mapping

from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.watch.chart import WEIGHT
from runlog.core.watch.first_look import FirstLook

# Faults that come and go as one trouble comes and goes are charted together: cloud that thickens
# leaves few stars, then none to follow. It is named by what most of its frames show.
CAUSES: Mapping[str, tuple[FaultName, ...]] = {
    "light": (FaultName.CLOUD, FaultName.DEW, FaultName.FEW_STARS),
    "cover": (FaultName.OBSTRUCTED,),
    "width": (FaultName.DEFOCUSED, FaultName.SOFT),
    "tracking": (FaultName.TRAILED, FaultName.DOUBLED),
    "pointing": (FaultName.OFF_TARGET,),
    "sky": (FaultName.BRIGHT_SKY,),
    "camera": (FaultName.READOUT, FaultName.UNREADABLE),
    "saturation": (FaultName.CLIPPED,),
    "optics": (FaultName.TILTED,),
    "cooling": (),
}
COOLING = "cooling"
ANY = "any"  # trouble that changes its face from frame to frame
COOLING_OFF_C = 2.0  # dark current changes by about a quarter in 2 C (common practice, no source)
STILL_COOLING_C = 0.5  # nearer to the set point by so much a frame: it is on its way
# From here on the Sun brightens the sky, and no one can help it.
TWILIGHT_DEG = -18.0

Found = Mapping[str, Mapping[str, float]]  # weights of faults, by cause


def found_in(frame: Frame, look: FirstLook, off_before_c: float | None) -> Found | None:
    """Weigh what a first look found, by cause; None where it says nothing for or against.

    `off_before_c` is how far the sensor was off its set point one frame before.
    """
    weights = {cause: _weights(frame, look, faults) for cause, faults in CAUSES.items()}
    if not frame.measurement.measured:
        weights["camera"] = {FaultName.UNREADABLE.value: 1.0}
    elif look.verdict.grade is Grade.UNGRADED:
        return None
    if cooler_lost(frame, off_before_c):
        weights[COOLING] = {COOLING: 1.0}
    return weights


def _weights(frame: Frame, look: FirstLook, names: tuple[FaultName, ...]) -> dict[str, float]:
    return {
        fault.name.value: WEIGHT[fault.grade]
        for fault in look.verdict.faults
        if fault.name in names and fault.grade in WEIGHT and not _is_twilight(frame, fault.name)
    }


def _is_twilight(frame: Frame, name: FaultName) -> bool:
    sun = frame.context.sun_alt_deg
    return name is FaultName.BRIGHT_SKY and sun is not None and sun > TWILIGHT_DEG


def off_set_point_c(frame: Frame) -> float | None:
    """Give how far the sensor is off its set point, positive when warmer."""
    at, wanted = frame.header.sensor_c, frame.header.set_c
    return None if at is None or wanted is None else at - wanted


def cooler_lost(frame: Frame, before_c: float | None) -> bool:
    """Tell whether the sensor is off its set point and not on its way to it."""
    off = off_set_point_c(frame)
    if off is None or abs(off) <= COOLING_OFF_C:
        return False
    return before_c is None or abs(before_c) - abs(off) < STILL_COOLING_C
