"""What is said of nights whose grades changed because other nights are known now."""

from collections import Counter
from collections.abc import Sequence

from runlog.core.columns import hours, plural
from runlog.core.frame import Fault, Grade, Judgement
from runlog.core.ledger.effective_words import effective_note
from runlog.core.ledger.worth import Worth

COMPARED = "compared with other nights"
BY_NIGHTS = "effective time is measured by the best nights there are now"
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


def counted_again(count: int, of: int) -> str:
    """Say, above a table, how many nights have other grades or hours."""
    if not count:
        return f"of {plural(of, 'night')} no grades and no hours changed"
    return (
        f"{count} of {plural(of, 'night')} {'has' if count == 1 else 'have'} other grades or hours "
        "now; your marks stand, and no file was needed"
    )


def and_earlier(nights: int) -> str:
    """Say how many nights a table leaves out."""
    return f"  and {plural(nights, 'earlier night')}, as `runlog nights` shows them now"


def from_to(before: str, now: str) -> str:
    """Set what was beside what is."""
    return f"{before} → {now}" if before != now else now


def kept(frames: int, seconds: float) -> str:
    """Say how many frames are kept, and how long they are."""
    return f"{frames} ({hours(seconds)})"


def effective(seconds: float | None) -> str:
    """Say how long kept frames are worth."""
    return "unknown" if seconds is None else hours(seconds)


def why_reckoned(worth: Worth, night: str) -> str:
    """Say why kept frames are worth another time than before."""
    note = effective_note(worth, night)
    if not worth.known:
        return note or "nothing of it is kept"
    return BY_NIGHTS if note is None else f"{BY_NIGHTS}; {note}"


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
