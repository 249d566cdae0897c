"""What is said of nights whose grades changed because other nights are known now."""

from collections import Counter
from collections.abc import Sequence

from runlog.core.columns import hours, plural
from runlog.core.frame import Fault, Grade, Judgement

COMPARED = "compared with other nights"
AGREES = "no fault is found any more"


def changed(night: str, rig: str, now: Grade, found: Sequence[Judgement]) -> str:
    """Say what became of frames of one night; `rig` only where there are several."""
    count = len(found)
    what = f"history: {plural(count, 'frame')} of the night of {night or 'unknown date'}"
    what += f" ({rig})" if rig else ""
    return f"{what} {'is' if count == 1 else 'are'} {now.value} now ({why(now, found)})"


def why(now: Grade, found: Sequence[Judgement]) -> str:
    """Quote the fault that most of the frames show, from the middle one of them."""
    main = [m for j in found if (m := main_fault(j)) is not None]
    if now is Grade.KEEP or not main:
        return AGREES if now is Grade.KEEP else COMPARED
    counted = Counter(fault.name for fault in main)
    name = max(counted, key=lambda n: (counted[n], n))
    shown = sorted(fault.evidence for fault in main if fault.name is name)
    return f"{name.value}: {shown[len(shown) // 2]}"


def main_fault(judgement: Judgement) -> Fault | None:
    """Give the fault that is named first of those that cost something."""
    return next((f for f in judgement.faults if f.grade is not Grade.KEEP), None)


def upgraded(count: int, of: int) -> str:
    """Say, above a table, how many nights are graded otherwise."""
    if not count:
        return f"{plural(of, 'night')} graded by the rules of this version: no grade changed"
    return (
        f"{count} of {plural(of, 'night')} {'is' if count == 1 else 'are'} graded otherwise now; "
        "your marks stand, and no file was needed"
    )


def from_to(before: str, now: str) -> str:
    """Set what was beside what is."""
    return f"{before} → {now}" if before != now else now


def kept(frames: int, seconds: float) -> str:
    """Say how many frames are kept, and how long they are."""
    return f"{frames} ({hours(seconds)})"
