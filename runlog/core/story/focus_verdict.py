"""The verdict on focus, by width and profile of stars."""

from collections.abc import Sequence
from statistics import median

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.physics import FLATTEST_IN_FOCUS, telling_profile, too_wide
from runlog.core.grading.policy import Policy
from runlog.core.story.focus import DRIFT_LEAST, filters_out
from runlog.core.story.model import (
    Event,
    GradedLight,
    Lights,
    Opinion,
    PartVerdict,
    by_share,
    comparable,
    lost_by,
    not_comparable,
    starry,
    stretches,
    unknown,
)
from runlog.core.story.phrases import focus as say
from runlog.core.story.phrases.common import together


def focus_verdict(lights: Lights, events: Sequence[Event], policy: Policy) -> PartVerdict:
    """Judge focus by its frames; unknown, because ..., where their stars cannot tell."""
    measured = comparable([t for t in starry(lights) if t.frame.measurement.fwhm_px is not None])
    if not measured:
        return not_comparable(lights)
    hit = [t for t in measured if _is_out(t)]
    doubt = "" if hit else _doubt(measured, policy)
    if doubt:
        return unknown(doubt)
    found = by_share(measured, _is_out, say.out_of_focus(lost_by(hit, FaultName.DEFOCUSED)))
    times = [e.start for e in events if e.kind == "refocus"]
    text = (
        found.evidence + say.by_itself([t.start for t in _single(lights)]) + say.refocused_at(times)
    )
    offsets = filters_out(measured, policy)
    if not offsets:
        return PartVerdict(found.verdict, text)
    opinion = Opinion.FAIR if found.verdict is Opinion.GOOD else found.verdict
    checks = [say.FOCUS_CHECK if hit else "", say.OFFSET_CHECK]
    return PartVerdict(opinion, together([text, *offsets]), together(checks))


def _is_out(light: GradedLight) -> bool:
    return light.has(FaultName.DEFOCUSED)


def _single(lights: Lights) -> list[GradedLight]:
    """List the frames out of focus with none beside them: a slip, not a drift."""
    return [s[0] for s in stretches(lights, _is_out) if len(s) < DRIFT_LEAST]


def _doubt(lights: Lights, policy: Policy) -> str:
    """Say why frames in which no fault was found are not known to be in focus; "" if they are.

    Each is like the others, which says nothing where all may be wrong.
    """
    wide = [t for t in lights if _is_too_wide(t, policy)]
    if len(wide) > len(lights) / 2:
        return say.too_wide(len(wide), len(lights))
    profiles = [p for t in lights if (p := telling_profile(t.frame)) is not None]
    if len(profiles) <= len(lights) / 2:
        return ""
    flat = median(profiles)
    return say.flat(flat) if flat < FLATTEST_IN_FOCUS else ""


def _is_too_wide(light: GradedLight, policy: Policy) -> bool:
    found = too_wide(light.frame, policy.for_filter(light.frame.context.filter))
    return found is not None and found.grade is not Grade.KEEP
