"""Lines of light that lie at the same pixels in other exposures: no trail does that."""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import ceil, hypot

from runlog.core.identity import COPY_TOLERANCE_S

SAME_PX = 2.5  # across, at both ends of the shorter line
OVERLAP_SHARE = 0.5  # of the shorter line: the next piece of one slow trail does not lie over it
# Of a night's other exposures. Satellites of one ring draw parallel trails night by night, and now
# and then one over another's; what is wrong with a camera is so in far more frames.
LEAST_OTHERS, LEAST_SHARE = 2, 0.05
BUCKET_PX = 48.0  # two lines that agree over a quarter of a frame agree so far at its edges
DIAGONAL = 1.1  # slope up to which a line is looked up both ways

Ends = Sequence[float]  # x0, y0, x1, y1 in pixels
Geometry = tuple[int, ...]  # width, height and binning: whose pixels can be compared
Bucket = tuple[Geometry, bool, int, int]
Exposures = Callable[[int, Geometry], int]


@dataclass(frozen=True, slots=True)
class Seen:
    """The lines of one frame, and what tells whether another frame is another exposure."""

    key: str  # content key
    run_id: int
    geometry: Geometry
    start: datetime | None
    counted: bool  # the one frame of its exposure that counts
    lines: tuple[Ends, ...]


class Index:
    """The lines of a rig's frames by where they lie, to look up what lies near one."""

    def __init__(self, frames: Iterable[Seen]) -> None:
        self._at: dict[Bucket, list[tuple[Seen, Ends]]] = defaultdict(list)
        for frame in frames:
            if frame.counted and frame.start is not None:
                for line in frame.lines:
                    for bucket in _buckets(frame.geometry, line, spread=False):
                        self._at[bucket].append((frame, line))

    def others(self, frame: Seen, line: Ends) -> dict[str, int]:
        """Give the other exposures that show a frame's line, each with its run, by their keys."""
        return {
            other.key: other.run_id
            for bucket in _buckets(frame.geometry, line, spread=True)
            for other, there in self._at.get(bucket, ())
            if _other_exposure(frame, other) and coincide(line, there)
        }


def own_lines(
    frames: Iterable[Seen], exposures: Exposures, index: Index | None = None
) -> dict[str, tuple[Ends, ...]]:
    """
    Leave out of each frame's lines those that lie at the same pixels in other exposures.

    A line recurs where, in some run of the rig, two other exposures and a twentieth of them show
    it, or the only other one does. A copy of an exposure is no other exposure, and frames that do
    not say when they were taken may be copies. The order of the frames does not matter.

    Parameters
    ----------
    frames : the frames to judge.
    exposures : tells how many exposures a run has of a geometry, with lines or without.
    index : of all the rig's frames that have lines; where none is given these are the frames.
    """
    frames = tuple(frames)
    index = Index(frames) if index is None else index
    return {
        frame.key: tuple(line for line in frame.lines if not _recurs(frame, line, index, exposures))
        for frame in frames
    }


def _recurs(frame: Seen, line: Ends, index: Index, exposures: Exposures) -> bool:
    for run_id, count in Counter(index.others(frame, line).values()).items():
        among = exposures(run_id, frame.geometry) - (run_id == frame.run_id)
        if count >= max(min(LEAST_OTHERS, among), ceil(LEAST_SHARE * among)):
            return True
    return False


def _other_exposure(frame: Seen, other: Seen) -> bool:
    if frame.start is None or other.start is None:
        return False
    return abs((frame.start - other.start).total_seconds()) > COPY_TOLERANCE_S


def coincide(one: Ends, other: Ends) -> bool:
    """Tell whether two lines, each x0, y0, x1, y1, lie over one another, to a couple of pixels."""
    short, long = sorted((one, other), key=_length)
    length = max(_length(long), 1e-9)
    dx, dy = (long[2] - long[0]) / length, (long[3] - long[1]) / length
    along = []
    for x, y in ((short[0], short[1]), (short[2], short[3])):
        if abs((x - long[0]) * dy - (y - long[1]) * dx) > SAME_PX:
            return False
        along.append((x - long[0]) * dx + (y - long[1]) * dy)
    overlap = min(max(along), length) - max(min(along), 0.0)
    return overlap >= OVERLAP_SHARE * _length(short)


def _length(line: Ends) -> float:
    return hypot(line[2] - line[0], line[3] - line[1])


def _buckets(geometry: Geometry, line: Ends, *, spread: bool) -> Iterator[Bucket]:
    """Where a line enters and leaves the frame, coarsely; with `spread` the places about it too."""
    width, height = geometry[:2]
    x0, y0, x1, y1 = line
    reach = range(-1, 2) if spread else range(1)
    for upright, (a0, b0, a1, b1, size) in (
        (True, (y0, x0, y1, x1, height)), (False, (x0, y0, x1, y1, width)),
    ):  # fmt: skip
        if abs(b1 - b0) > DIAGONAL * abs(a1 - a0) or a0 == a1:
            continue
        slope = (b1 - b0) / (a1 - a0)
        first, last = (round((b0 + slope * (edge - a0)) / BUCKET_PX) for edge in (0.0, size - 1.0))
        for i in reach:
            for j in reach:
                yield geometry, upright, first + i, last + j
