"""The numbers that go with a warning, by what the newest frame shows."""

from runlog.core.frame import FaultName, Frame
from runlog.core.watch.causes import COOLING
from runlog.core.watch.first_look import FirstLook

LIGHT = (FaultName.CLOUD, FaultName.DEW)
WIDTH = (FaultName.DEFOCUSED, FaultName.SOFT)


def alarm_words(cause: str, frame: Frame, look: FirstLook) -> str:
    """Give the numbers behind a cause; the evidence itself where it has none of its own."""
    if cause in LIGHT and look.light is not None:
        return f"light {look.light:.0%} of usual".replace("%", " %")
    if cause in WIDTH and look.width is not None:
        return f"stars {look.width:.1f} times as wide as usual"
    if cause == FaultName.TRAILED and frame.measurement.eccentricity is not None:
        return f"eccentricity {frame.measurement.eccentricity:.2f}"
    if cause == COOLING:
        return f"sensor at {frame.header.sensor_c:.1f} C, set to {frame.header.set_c:.0f} C"
    if cause == FaultName.UNREADABLE:
        return "not measured" if not frame.measurement.notes else frame.measurement.notes[0]
    return next((f.evidence for f in look.verdict.faults if f.name == cause), "")
