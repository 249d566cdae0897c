"""What is said of nights whose grades changed because other nights are known now."""

from collections import Counter
from collections.abc import Sequence

from runlog.core.columns import plural
from runlog.core.frame import Fault, Grade, Judgement

COMPARED = "compared with other nights"
NOTHING = "nothing is held against them any more"


def changed(night: str, rig: str, now: Grade, found: Sequence[Judgement]) -> str:
    """Say what became of frames of one night; `rig` only where there are several."""
    count = len(found)
    what = f"history: {plural(count, 'frame')} of the night of {night or 'unknown date'}"
    what += f" ({rig})" if rig else ""
    return f"{what} {'is' if count == 1 else 'are'} {now.value} now ({why(now, found)})"


def why(now: Grade, found: Sequence[Judgement]) -> str:
    """Quote what most of the frames show, from the middle one of them."""
    if now is Grade.KEEP:
        return NOTHING
    notes = [j.note for j in found if j.note]
    if now is Grade.UNGRADED and notes:
        return sorted(notes)[len(notes) // 2]
    main = [m for j in found if (m := main_fault(j)) is not None]
    if not main:
        return COMPARED
    counted = Counter(fault.name for fault in main)
    name = max(counted, key=lambda n: (counted[n], n))
    shown = sorted(fault.evidence for fault in main if fault.name is name)
    return f"{name.value}: {shown[len(shown) // 2]}"


def main_fault(judgement: Judgement) -> Fault | None:
    """Give the fault that is named first of those that cost something."""
    return next((f for f in judgement.faults if f.grade is not Grade.KEEP), None)


# --- nights before and after ------------------------------------------------------------------

BY_NIGHTS = "hours are measured by the best nights, no longer by one frame"
OTHERWISE = "hours are reckoned by other references or settings"
NONE_KEPT = "nothing of it is kept"
KNOWN_NOW = "hours were unknown before"
MARKED = "marked so"
_BECAME = {
    Grade.KEEP: "kept",
    Grade.DOUBTFUL: "doubtful",
    Grade.REJECT: "rejected",
    Grade.UNGRADED: "ungraded",
}


def otherwise_now(count: int, of: int, least: float) -> str:
    """Say, above a table, how many nights changed; hours only where by more than `least`."""
    nights = plural(of, "night")
    if not count:
        return f"of {nights} no grade changed, and no effective hours by more than {least:.0%}"
    return (
        f"{count} of {nights} {'has' if count == 1 else 'have'} other grades now, or effective "
        f"hours that changed by more than {least:.0%}; your marks stand, and no file was needed"
    )


def became(now: Grade, found: Sequence[Judgement]) -> str:
    """Say what became of frames that were graded otherwise, and why; all by a person, or none."""
    reason = MARKED if found[0].graded_by == "person" else why(now, found)
    if len(found) > 1 and reason not in (MARKED, NOTHING):
        reason = f"such as {reason}"
    return f"{plural(len(found), 'frame')} {_BECAME[now]} now ({reason})"


def count_no_longer(count: int) -> str:
    """Say that frames that were in the table are not any more."""
    return f"{plural(count, 'frame')} no longer {'counts' if count == 1 else 'count'} here"


def count_now(count: int) -> str:
    """Say that frames are in the table that were not."""
    return f"{plural(count, 'frame')} {'counts' if count == 1 else 'count'} here now"


def and_earlier(nights: int, path: str | None) -> str:
    """Say how many nights a table leaves out, and where all of it is."""
    where = "as they are now: runlog nights" if path is None else f"all of them are in {path}"
    return f"and {plural(nights, 'earlier night')}; {where}"


def from_to(before: str, now: str) -> str:
    """Set what was beside what is."""
    return f"{before} → {now}" if before != now else now


# --- what is no fault of a frame --------------------------------------------------------------


def hot_pixels(now_ppm: float, usual_ppm: float, whose: str) -> str:
    """Say how many more hot pixels there are."""
    times = f"{now_ppm / usual_ppm:.1f} times {whose} usual {usual_ppm:.0f}"
    return f"hot pixels {now_ppm:.0f} in a million, {times}"


def noisier(now_adu: float, usual_adu: float, whose: str) -> str:
    """Say how much noise grew that the sky does not explain."""
    times = f"{now_adu / usual_adu:.1f} times {whose} usual {usual_adu:.1f}"
    return f"noise {now_adu:.1f} ADU, {times} under a sky no brighter"


def slower(name: str, now_s: float, usual_s: float, whose: str) -> str:
    """Say how much longer it takes from one exposure to the next."""
    return f"{now_s:.0f} s before an exposure in {name}, {whose} usual {usual_s:.0f} s"


def fewer_usable(usable: int, frames: int, usual: float, whose: str) -> str:
    """Say how many frames came out right, beside what is usual."""
    return f"{usable} of {plural(frames, 'frame')} without a fault, {whose} usual {usual:.0%}"
