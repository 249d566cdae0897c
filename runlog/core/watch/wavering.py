"""Light that wavers before it was ever steady: cloud, though nothing tells yet how much of it.

Transparency is never above that of a clear sky, so the best light so far is a bound from below; and
a clear sky is steady, which cloud is not.
"""

from collections.abc import Sequence
from itertools import pairwise

from runlog.core.frame import Fault, FaultName, Frame, Grade
from runlog.core.grading.baseline import light_group

# A clear sky keeps its light within a few hundredths from one frame to the next, with the errors of
# measuring (common practice, no source): two in a row so near to the best until then were clear as
# far as the run can tell, and what comes after has them to be compared with.
STEADY = 0.94
# Of the light, from a frame to the next: no clear air loses so much, and no height does (the path
# through the air is taken out).
WAVERS = 0.85
FIRST = 10  # frames alike: of more the brightest are held to be clear, as grading holds them


def wavering(frames: Sequence[Frame], newest: Frame) -> Fault | None:
    """Tell whether the light of a run's first frames wavers, and was never steady at its best.

    `frames` are those so far that may speak of the sky, in any order; they are told by those of
    them that show what the newest shows, through its filter.
    """
    light = _light(frames, newest)
    if len(light) > FIRST:
        return None
    falls = [now / before for before, now in pairwise(light) if before > 0]
    if not falls or min(falls) > WAVERS:
        return None  # light that only ever rose may be clear by now
    if any(min(light[n - 1 : n + 1]) >= STEADY * max(light[: n + 1]) for n in range(1, len(light))):
        return None
    text = (
        f"cloud: the light of stars wavers by {1 - min(falls):.0%} from frame to frame and was not "
        "steady yet; how much is lost is not known before it clears"
    )
    return Fault(FaultName.CLOUD, Grade.DOUBTFUL, text)


def _light(frames: Sequence[Frame], newest: Frame) -> list[float]:
    """Give the light of the frames alike, in order of time, the newest last."""
    own = light_group(newest)
    alike = [f for f in frames if f.placement.transparency is not None and light_group(f) == own]
    dated = [f for f in alike if f.header.taken_at_utc is not None]
    dated.sort(key=lambda f: (f.header.taken_at_utc, f.key))
    if not dated or dated[-1].key != newest.key:
        return []
    return [f.placement.transparency or 0.0 for f in dated]
