"""The verdict on tracking and guiding, by the shape of stars."""

from dataclasses import replace
from statistics import median

from runlog.core.frame import FaultName
from runlog.core.grading.baseline import ELONGATED, LINES_AXIS_RATIO
from runlog.core.grading.physics import ALIGNMENT
from runlog.core.grading.policy import Policy
from runlog.core.story.first_after import FLIP, first_frames
from runlog.core.story.model import (
    Lights,
    Opinion,
    PartVerdict,
    by_share,
    comparable,
    lost_by,
    not_comparable,
    starry,
)
from runlog.core.story.phrases import mount as say
from runlog.core.story.phrases.common import together


def tracking_verdict(lights: Lights, policy: Policy) -> PartVerdict:
    """Judge tracking by the shape of stars; unknown, because ..., where they cannot tell."""
    names = (FaultName.TRAILED, FaultName.DOUBLED)
    shaped = [t for t in starry(lights) if t.frame.measurement.eccentricity is not None]
    measured = comparable(shaped, *names)
    if not measured:
        unjudged = not_comparable(lights)
        return replace(unjudged, evidence=unjudged.evidence + _shape_seen(shaped, policy))
    hit = [t for t in measured if t.has(*names)]
    said = [name.value for name in names if any(t.has(name) for t in hit)] or ["trailed"]
    found = by_share(measured, lambda t: t.has(*names), say.trailed(said, lost_by(hit, *names)))
    # Two images side by side look stretched: that is no stretch of the stars.
    single = [
        t.frame.measurement.eccentricity or 0.0 for t in measured if not t.has(FaultName.DOUBLED)
    ]
    middle = median(single) if single else None
    after, check = _came_after(lights, hit)
    text = f"{found.evidence}{after}"
    text += "" if middle is None else say.median_eccentricity(middle)
    if middle is None or middle < ELONGATED:
        return PartVerdict(found.verdict, text, check)
    opinion = Opinion.FAIR if found.verdict is Opinion.GOOD else found.verdict
    checks = [check, say.TRACKING_CHECK, say.OPTICS_TOO_CHECK]
    return PartVerdict(opinion, text + say.ELONGATED, together(checks))


def _shape_seen(lights: Lights, policy: Policy) -> str:
    """Say how long the stars are in frames that nothing else is compared with."""
    if not lights:
        return ""
    longest = max(
        lights, key=lambda t: (t.frame.measurement.eccentricity or 0.0, t.frame.key)
    ).frame
    seen = longest.measurement.eccentricity or 0.0
    text = say.longest(len(lights), seen)
    if seen < ELONGATED or longest.measurement.alignment is None:
        return text
    text += say.aligned(longest.measurement.alignment)
    if longest.measurement.alignment < policy[ALIGNMENT]:
        return text + say.NOT_ONE_WAY
    if (longest.measurement.axis_ratio or 1.0) < LINES_AXIS_RATIO:
        return text  # why it is not graded says the rest
    return text + say.TRACKING_OR_OPTICS


def _came_after(lights: Lights, hit: Lights) -> tuple[str, str]:
    """Say what trailed frames came right after, where that is more than chance."""
    found = first_frames(lights)
    flipped = {t.frame.key for t in found.get(FLIP, ())}
    doubled = sum(t.has(FaultName.DOUBLED) and t.frame.key in flipped for t in hit)
    if doubled and doubled >= len(hit) / 2:  # a cable drags stars out, it does not double them
        return say.right_after(doubled, FLIP), say.MIRROR_CHECK
    for what, firsts in found.items():
        keys = {t.frame.key for t in firsts}
        came = sum(t.frame.key in keys for t in hit)
        if came >= 2 and came >= len(hit) / 2 and len(firsts) < len(lights) / 2:
            return say.right_after(came, what), say.settle_check(what)
    return "", ""
