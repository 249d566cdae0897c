"""Which frames are the same exposure, and which copy of it counts."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from runlog.core.frame import Stage

START_TOLERANCE_S = 0.05  # two raw frames are one exposure within half of the 0.1 s key
COPY_TOLERANCE_S = 1.0  # processing often cuts the start to whole seconds
LENGTH_TOLERANCE_S = 0.05


@dataclass(frozen=True, slots=True)
class Copy:
    """What decides whether a frame is the one that counts for its exposure."""

    content_key: str
    start: datetime
    exposure_s: float
    camera: str  # folded; empty when the header does not say
    stage: Stage
    cards: int
    telescope: str = ""  # folded; empty when the header does not say

    @property
    def standing(self) -> tuple[int, int, str]:
        """Smallest wins: rawest, then most header cards, then smallest key."""
        return (self.stage.rank, -self.cards, self.content_key)


def fold_name(name: str | None) -> str:
    """Fold case and spacing, so that one device written two ways stays one device."""
    return "".join((name or "").casefold().split())


def same_exposure(a: Copy, b: Copy) -> bool:
    """Tell whether two frames come from one opening of one shutter.

    Two cameras of one model may start together, each on a telescope of its own; what a header does
    not name tells nothing. A camera cannot start twice within one exposure, so starts that differ
    by less than the rounding that processing does, and by less than half the length, are the same
    start.
    """
    if abs(a.exposure_s - b.exposure_s) > LENGTH_TOLERANCE_S:
        return False
    if not (may_be_one(a.camera, b.camera) and may_be_one(a.telescope, b.telescope)):
        return False
    apart_s = abs((a.start - b.start).total_seconds())
    return apart_s <= max(START_TOLERANCE_S, min(COPY_TOLERANCE_S, a.exposure_s / 2))


def may_be_one(name: str, other: str) -> bool:
    """Tell whether two folded names may mean one device; a silent header contradicts nothing."""
    return not name or not other or name == other


def counted_keys(copies: Iterable[Copy]) -> frozenset[str]:
    """Choose the one frame that counts for every exposure; the order given does not matter."""
    groups: list[list[Copy]] = []
    for copy in sorted(copies, key=lambda c: (_unnamed(c), c.start, c.standing)):
        home = next((g for g in groups if same_exposure(g[0], copy)), None)
        if home is None:
            groups.append([copy])
        else:
            home.append(copy)
    return frozenset(min(group, key=lambda c: c.standing).content_key for group in groups)


def _unnamed(copy: Copy) -> int:
    """Count what a header does not name: those that name it find their home first."""
    return (not copy.camera) + (not copy.telescope)


@dataclass(frozen=True, slots=True)
class HeaderCopy:
    """One of the headers that the files of a frame have."""

    stage: Stage
    keywords: int  # remarks not counted: a copy saved again has more of those, and says no more
    written_ns: int  # of its oldest file
    digest: str


def speaking_header(headers: Sequence[HeaderCopy]) -> int:
    """Choose whose header speaks for a frame: the rawest, then fullest, then oldest; its index."""
    ranked = [(h.stage.rank, -h.keywords, h.written_ns, h.digest, i) for i, h in enumerate(headers)]
    return min(ranked)[-1]
