"""Frames with a first look given by hand, for tests of the warnings."""

from datetime import timedelta

from runlog.core.frame import Fault, FaultName, Frame, Grade, Verdict
from runlog.core.watch.alarms import Alarm, Alarms, Looked, advance
from runlog.core.watch.first_look import Against, FirstLook
from tests.core.runs import EVERY, START, altered, blank

LENGTH_S = 300.0
DELAY_S = 6.0


def frame_at(n: int, **values: object) -> Frame:
    """Make the n-th light of a run; they follow each other every 318 s."""
    frame = blank(f"{n:032x}", START + n * EVERY, LENGTH_S, "M 33", "L")
    return altered(frame, **({"measured_with": 1, "sun_alt_deg": -40.0} | values))


def look(fault: FaultName | None = None, grade: Grade = Grade.REJECT) -> FirstLook:
    """Say of a frame that it has a fault, or none."""
    faults = () if fault is None else (Fault(fault, grade, f"{fault}, as drawn; more"),)
    return FirstLook(Verdict(grade if faults else Grade.KEEP, faults), Against.RUN, light=0.41)


def looked(n: int, found: FirstLook, late_s: float = DELAY_S, **values: object) -> Looked:
    """Bring the n-th frame with its first look."""
    arrival = START + n * EVERY + timedelta(seconds=LENGTH_S + late_s)
    return Looked(frame_at(n, **values), found, arrival)


def told(found: list[FirstLook], alarms: Alarms | None = None) -> tuple[Alarms, list[Alarm]]:
    """Bring frame after frame; give all that is said."""
    state, said = alarms or Alarms(), []
    for n, one in enumerate(found):
        brought = looked(n, one)
        state, more = advance(state, brought, brought.arrived_utc)
        said += more
    return state, said
