"""Focus over a night: drifts, the focus runs that end them, filters with a wrong offset."""

from collections.abc import Iterator, Sequence
from itertools import pairwise
from math import inf
from statistics import median

from runlog.core.frame import FaultName
from runlog.core.grading.baseline import profile, shape_group
from runlog.core.grading.faults.defocused import PROFILE_CHANGE, RATIO
from runlog.core.grading.policy import Policy
from runlog.core.story.model import Event, GradedLight, Lights, event, stretches, worst_evidence
from runlog.core.story.phrases import focus as say

DRIFT_LEAST = 2  # one frame out of focus is no drift
DRIFT_FRAMES = 3  # fewer out of focus are a slip, not a drift
FOOT_FRAMES = 5  # frames before a drift that say how wide stars were in focus
FOOT_LEAST = 3
FLANK_SHARE = 1 / 3  # of the change of profile that makes a frame defocused by itself
REFOCUS_LEAST_STEPS = 5  # less may be temperature compensation or backlash
REFOCUS_GAIN = 0.9  # stars at least a tenth narrower after the focuser moved
FOCUS_RUN_S = 45.0  # a focus run takes longer than the usual gap by so much or more
FILTER_FRAMES = 5
COOLED_C = 0.3  # less is the sensor's wobble
SHAPE_FAULTS = (FaultName.DEFOCUSED, FaultName.TRAILED, FaultName.DOUBLED, FaultName.READOUT)


def find_drifts(lights: Lights, policy: Policy) -> Iterator[Event]:
    """Find stretches out of focus; a drift begins where it first passes the limit."""
    for stretch in stretches(lights, lambda t: t.has(FaultName.DEFOCUSED), least=DRIFT_LEAST):
        evidence = worst_evidence(stretch, FaultName.DEFOCUSED, lambda f: f.measurement.fwhm_px)
        flank = _flank(lights, stretch, policy) if len(stretch) >= DRIFT_FRAMES else []
        drifted = [*flank, *stretch]
        yield event("focus-drift", drifted, say.drift(evidence, *_cooled(drifted)))


def _flank(lights: Lights, stretch: Lights, policy: Policy) -> list[GradedLight]:
    """Trace a drift back to the frame where it passes the limit against those just before.

    A frame by itself is compared with the run, whose seeing was another an hour ago; beside a
    drift that is plain the frames before it say better how wide stars were in focus.
    """
    first = next(n for n, light in enumerate(lights) if light is stretch[0])
    start = first
    while start > 0 and _past_limit(lights[start - 1], lights[: start - 1], policy):
        start -= 1
    return list(lights[start:first])


def _past_limit(light: GradedLight, before: Lights, policy: Policy) -> bool:
    own = shape_group(light.frame)
    foot = [t.frame for t in before if shape_group(t.frame) == own and not t.has(*SHAPE_FAULTS)]
    widths = [
        f.measurement.fwhm_px for f in foot[-FOOT_FRAMES:] if f.measurement.fwhm_px is not None
    ]
    profiles = [p for f in foot[-FOOT_FRAMES:] if (p := profile(f)) is not None]
    here = profile(light.frame)
    if len(widths) < FOOT_LEAST or not profiles or here is None or light.has(*SHAPE_FAULTS):
        return False
    limits = policy.for_filter(light.frame.context.filter)
    changed = here <= median(profiles) * (1 - FLANK_SHARE * limits[PROFILE_CHANGE])
    wide = (light.frame.measurement.fwhm_px or 0.0) >= limits[RATIO].doubtful * median(widths)
    return changed and wide


def _cooled(stretch: Lights) -> tuple[float | None, float | None]:
    """Give the focuser's first and last temperature, where it changed."""
    first, last = stretch[0].frame.header.focus_c, stretch[-1].frame.header.focus_c
    changed = first is not None and last is not None and abs(last - first) >= COOLED_C
    return (first, last) if changed else (None, None)


# --- refocus --------------------------------------------------------------------------------


def find_refocus(lights: Lights) -> Iterator[Event]:
    """Find where stars came back into focus, and what says that a focus run did it."""
    gaps = [(b.start - a.end).total_seconds() for a, b in pairwise(lights)]
    for n in range(1, len(lights)):
        here, out = lights[n], _frames_out(lights, n)
        if not out or here.has(FaultName.DEFOCUSED):
            continue
        before = next(
            (t for t in out if t.frame.context.filter == here.frame.context.filter), out[0]
        )
        how = _focus_run(before, here, out, gaps[n - 1] - median(gaps))
        if how and _narrower(before, here):
            was, now = (t.frame.measurement.fwhm_px or 0.0 for t in (before, here))
            yield event("refocus", [here], say.refocused(how, was, now), costs=False)


def _frames_out(lights: Lights, n: int) -> list[GradedLight]:
    """List the frames out of focus right before one, the last first."""
    out = []
    for light in reversed(lights[:n]):
        if not light.has(FaultName.DEFOCUSED):
            break
        out.append(light)
    return out


def _narrower(before: GradedLight, here: GradedLight) -> bool:
    wide, narrow = before.frame.measurement.fwhm_px, here.frame.measurement.fwhm_px
    return wide is not None and narrow is not None and narrow <= REFOCUS_GAIN * wide


def _focus_run(before: GradedLight, here: GradedLight, out: Lights, longer_s: float) -> str | None:
    """Say what shows a focus run: the focuser moved, or there was a break long enough for one."""
    was, now = before.frame.header.focus_pos, here.frame.header.focus_pos
    if was is not None and now is not None:
        moved = _steps(here, out) >= _least_steps(before, here, out)
        return say.focuser_moved(was, now) if moved else None
    if len(out) >= DRIFT_FRAMES and longer_s >= FOCUS_RUN_S:
        return say.long_break(longer_s)
    return None


def _steps(here: GradedLight, out: Lights) -> float:
    """Give how far the focuser stands from where it stood out of focus, in the same filter."""
    alike = [t for t in out if t.frame.context.filter == here.frame.context.filter] or out
    places = [t.frame.header.focus_pos for t in alike if t.frame.header.focus_pos is not None]
    return min(abs((here.frame.header.focus_pos or 0.0) - place) for place in places)


def _least_steps(before: GradedLight, here: GradedLight, out: Lights) -> float:
    """After a drift any move counts in the same filter; in another one its offset comes on top."""
    if len(out) < DRIFT_FRAMES:
        return (
            REFOCUS_LEAST_STEPS if before.frame.context.filter == here.frame.context.filter else inf
        )
    return 1.0 if before.frame.context.filter == here.frame.context.filter else REFOCUS_LEAST_STEPS


# --- filters --------------------------------------------------------------------------------


def filters_out(lights: Lights, policy: Policy) -> list[str]:
    """Name the filters whose good frames are wide and out of focus against another filter's.

    Within its own filter such a frame passes as usual, so that only the filters' comparison shows
    a wrong focus offset.
    """
    groups: dict[str, list[GradedLight]] = {}
    for light in lights:
        if not light.has(*SHAPE_FAULTS):
            groups.setdefault(light.frame.context.filter, []).append(light)
    usual = {name: shape for name, members in groups.items() if (shape := _usual(members))}
    if len(usual) < 2:
        return []
    best = min(usual, key=lambda name: (usual[name][0], name))
    return [
        say.wide_filter(name, usual[name][0] / usual[best][0], best)
        for name in sorted(usual)
        if _worse(usual[name], usual[best], policy.for_filter(name))
    ]


def _usual(members: Sequence[GradedLight]) -> tuple[float, float] | None:
    widths = [
        t.frame.measurement.fwhm_px for t in members if t.frame.measurement.fwhm_px is not None
    ]
    profiles = [p for t in members if (p := profile(t.frame)) is not None]
    if min(len(widths), len(profiles)) < FILTER_FRAMES:
        return None
    return median(widths), median(profiles)


def _worse(own: tuple[float, float], best: tuple[float, float], policy: Policy) -> bool:
    wider, changed = own[0] / best[0], own[1] / best[1]
    return wider >= policy[RATIO].doubtful and changed <= 1 - policy[PROFILE_CHANGE]
