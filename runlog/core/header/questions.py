"""What in a header cannot be believed as it stands, asked in words for a person."""

from collections.abc import Mapping, Sequence
from datetime import datetime

from runlog.core.frame import Kind, Question

# Every code a header can raise, with what it asks. Codes are stored: never reuse or rename one.
CODES: Mapping[str, str] = {
    "date-missing": "no card gives the time of the exposure",
    "date-unreadable": "a date or time card cannot be read",
    "date-without-time": "the date is known, the time of day is not",
    "date-before-1990": "the date is older than any CCD, or the one a clock begins with",
    "date-day-or-month": "day and month had to be swapped to make a date",
    "time-local-only": "only a local time is given",
    "time-scale": "the time scale is unknown",
    "times-disagree": "two cards give different start times",
    "start-reckoned": "the start was reckoned from the middle or the end of the exposure",
    "end-contradicts-exposure": "start, end and length of the exposure do not fit",
    "exposure": "the exposure time is missing, zero, negative or absurd",
    "exposure-disagrees": "two cards give different exposure times",
    "exposure-very-short": "very short for a deep-sky light frame",
    "kind-unknown": "the word for the kind of frame is not known",
    "kind-conflict": "header and folder disagree about the kind of frame",
    "kind-target": "the header says light, the target's name is that of a calibration frame",
    "filter-unknown": "nothing tells which filter was used",
    "filter-from-name": "the filter was read from the target's or the file's name",
    "target-from-name": "the target was read from the file's name",
    "temperature": "a temperature that cannot be",
    "temperature-kelvin": "a temperature was taken as kelvin",
    "gain": "gain setting or electrons per ADU",
    "egain": "electrons per ADU that cannot be",
    "pedestal": "the sign of the pedestal is not the standard's",
    "binning": "a binning that cannot be read",
    "pixel-size": "a pixel size that is implausible, or doubtful about binning",
    "focal-length": "a focal length of zero, or in doubtful units",
    "aperture": "an aperture that cannot be",
    "plate-scale": "two things in the header give different plate scales, or it may be unbinned",
    "bayer": "a colour mosaic that is not known",
    "airmass": "an airmass below 1 or beyond the horizon",
    "ra-hours-or-degrees": "right ascension may be in hours or in degrees",
    "coordinates": "coordinates out of range, zero, or in conflict",
    "site": "site coordinates out of range or never set",
    "site-longitude": "the sign of the longitude contradicts the header's own clocks",
    "copies-disagree": "copies of one frame have headers that contradict one another",
}

# Asked only where light from the sky went through the optics: a dark has no airmass.
_SKY_CODES = frozenset(
    {
        "airmass", "coordinates", "ra-hours-or-degrees", "focal-length", "aperture", "plate-scale",
        "filter-unknown", "filter-from-name", "target-from-name",
    }
)  # fmt: skip
_POINTING_CODES = frozenset(
    {"airmass", "coordinates", "ra-hours-or-degrees", "plate-scale", "target-from-name"}
)
_NOT_ASKED = {
    Kind.DARK: _SKY_CODES,
    Kind.BIAS: _SKY_CODES,
    Kind.FLAT_DARK: _SKY_CODES,
    Kind.FLAT: _POINTING_CODES,  # a panel or the twilight is nowhere in particular
}


class Doubts:
    """Collect a header's questions in the order they come up, each once."""

    __slots__ = ("_asked",)

    def __init__(self) -> None:
        self._asked: dict[tuple[str, str], Question] = {}

    def ask(self, code: str, text: str, cure: str = "") -> None:
        """Add a question; the code must be one of `CODES`."""
        if code not in CODES:
            raise KeyError(f"question code {code!r} is not in the table of codes")
        self._asked.setdefault((code, text), Question(code, text, cure))

    def about(self, kind: Kind) -> tuple[Question, ...]:
        """Give the questions that matter for a frame of this kind."""
        idle = _NOT_ASKED.get(kind, frozenset())
        return tuple(question for question in self._asked.values() if question.code not in idle)


def contradiction(parts: Sequence[str]) -> Question:
    """Ask about the parts of a frame's meaning (its start, its target ...) that copies contradict.

    The values are left out, so that many frames of one kind make one question.
    """
    about = " and ".join((", ".join(parts[:-1]), parts[-1])) if len(parts) > 1 else parts[0]
    text = f"copies of one frame disagree about its {about}; the fullest, then oldest is believed"
    return Question("copies-disagree", text)


OVERLAP_SLACK_S = 1.0  # clocks are written to the second, so a second says nothing


def overlaps(frames: Sequence[tuple[datetime, float]]) -> list[tuple[int, int, float]]:
    """Find exposures of one camera that were still open when the next one started.

    One camera opens one shutter at a time, so the earlier frame was aborted and kept its requested
    length, or a clock jumped.

    Parameters
    ----------
    frames : sequence of (datetime, float)
        Start of exposure (aware) and requested length in seconds, of one camera, in any order.
        Two frames of the same start are copies or a clash of clocks and are not compared.

    Returns
    -------
    list of (int, int, float)
        Index of the frame that runs over, index of the first frame it runs into, and by how many
        seconds; only overlaps of more than `OVERLAP_SLACK_S`, in order of time.
    """
    order = sorted(range(len(frames)), key=lambda i: (frames[i][0], frames[i][1], i))
    found = []
    for place, i in enumerate(order):
        start, length_s = frames[i]
        j = _next_start(frames, order, place)
        if j is None:
            continue
        over_s = length_s - (frames[j][0] - start).total_seconds()
        if over_s > OVERLAP_SLACK_S:
            found.append((i, j, over_s))
    return found


def _next_start(
    frames: Sequence[tuple[datetime, float]], order: Sequence[int], place: int
) -> int | None:
    """Give the first frame that starts later than the one at `place` in `order`."""
    start = frames[order[place]][0]
    return next((j for j in order[place + 1 :] if frames[j][0] > start), None)
