"""A verdict for each part of the rig, with its evidence and what to check before dark."""

from collections.abc import Sequence
from dataclasses import replace
from statistics import median

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.baseline import ELONGATED, LINES_AXIS_RATIO
from runlog.core.grading.faults.trailed import ALIGNMENT
from runlog.core.grading.policy import Policy
from runlog.core.story.camera import camera_verdict
from runlog.core.story.first_after import first_frames
from runlog.core.story.focus import filters_out
from runlog.core.story.model import (
    Event,
    Lights,
    Night,
    Opinion,
    Pace,
    Part,
    PartVerdict,
    ToCheck,
    by_share,
    comparable,
    lost_by,
    not_comparable,
    unknown,
)
from runlog.core.story.phrases import focus as say_focus
from runlog.core.story.phrases import mount as say_mount
from runlog.core.story.phrases import schedule as say_schedule
from runlog.core.story.phrases.common import together
from runlog.core.story.pointing import pointing_verdict
from runlog.core.story.schedule import schedule_verdict
from runlog.core.story.sky import sky_verdict

TILT_FAIR, TILT_POOR = 0.15, 0.35  # span of the width over the frame, share of its median
CURVATURE_FAIR, CURVATURE_POOR = 0.25, 0.6  # corner against centre

# What to look at where the evidence does not say it more closely.
CHECKS = {
    Part.TRACKING: say_mount.TRACKING_CHECK,
    Part.FOCUS: say_focus.FOCUS_CHECK,
    Part.OPTICS: say_focus.OPTICS_CHECK,
    Part.SCHEDULE: say_schedule.CHECK,
}


def verdicts(
    lights: Lights,
    events: Sequence[Event],
    pace: Pace | None,
    policy: Policy,
    night: Night,
    own_rows: str = "",
) -> dict[Part, PartVerdict]:
    """Judge each part of the rig; unknown, because ..., where the frames cannot tell."""
    if not lights:
        nothing = unknown(_no_lights(night))
        return dict.fromkeys(Part, nothing) | (
            {Part.CAMERA: camera_verdict(lights, own_rows)} if own_rows else {}
        )
    return {
        Part.TRACKING: _with_wind(_tracking(lights, policy), events),
        Part.FOCUS: _focus(lights, events, policy),
        Part.POINTING: pointing_verdict(lights, events),
        Part.CAMERA: camera_verdict(lights, own_rows),
        Part.SKY: sky_verdict(lights, night.doubt),
        Part.OPTICS: _optics(lights),
        Part.SCHEDULE: schedule_verdict(lights, pace, events, night),
    }


def _with_wind(found: PartVerdict, events: Sequence[Event]) -> PartVerdict:
    """Say which of the trailed frames wind took: then shelter is looked at before the mount."""
    blown = sum(e.frames for e in events if e.kind == "wind")
    if not blown:
        return found
    mount = any(e.kind == "trailing" for e in events)
    rest = (found.check or CHECKS[Part.TRACKING]) if mount else found.check
    check = together([say_mount.WIND_CHECK, rest])
    return replace(found, evidence=found.evidence + say_mount.blown(blown), check=check)


def _no_lights(night: Night) -> str:
    return say_schedule.NO_TIMES if night.undated else say_schedule.NO_LIGHTS


def to_check(found: dict[Part, PartVerdict]) -> list[ToCheck]:
    """Say what to look at before the next night, worst parts first."""
    order = [Opinion.POOR, Opinion.FAIR]
    poor = sorted(
        (p for p, v in found.items() if v.verdict in order),
        key=lambda p: order.index(found[p].verdict),
    )
    return [ToCheck(part, found[part].check or CHECKS[part]) for part in poor]


def _starry(lights: Lights) -> Lights:
    """Keep the frames with enough stars to say something of all: four may be anything."""
    return [t for t in lights if (t.frame.measurement.stars or 0) >= STARS_TO_TELL]


def _tracking(lights: Lights, policy: Policy) -> PartVerdict:
    names = (FaultName.TRAILED, FaultName.DOUBLED)
    shaped = [t for t in _starry(lights) if t.frame.measurement.eccentricity is not None]
    measured = comparable(shaped, *names)
    if not measured:
        unjudged = not_comparable(lights)
        return replace(unjudged, evidence=unjudged.evidence + _shape_seen(shaped, policy))
    hit = [t for t in measured if t.has(*names)]
    said = [name.value for name in names if any(t.has(name) for t in hit)] or ["trailed"]
    found = by_share(
        measured, lambda t: t.has(*names), say_mount.trailed(said, lost_by(hit, *names))
    )
    # Two images side by side look stretched: that is no stretch of the stars.
    single = [
        t.frame.measurement.eccentricity or 0.0 for t in measured if not t.has(FaultName.DOUBLED)
    ]
    middle = median(single) if single else None
    after, check = _came_after(lights, hit)
    text = f"{found.evidence}{after}"
    text += "" if middle is None else say_mount.median_eccentricity(middle)
    if middle is None or middle < ELONGATED:
        return PartVerdict(found.verdict, text, check)
    opinion = Opinion.FAIR if found.verdict is Opinion.GOOD else found.verdict
    checks = [check, CHECKS[Part.TRACKING], say_mount.OPTICS_TOO_CHECK]
    return PartVerdict(opinion, text + say_mount.ELONGATED, together(checks))


def _shape_seen(lights: Lights, policy: Policy) -> str:
    """Say how long the stars are in frames that nothing else is compared with."""
    if not lights:
        return ""
    longest = max(
        lights, key=lambda t: (t.frame.measurement.eccentricity or 0.0, t.frame.key)
    ).frame
    seen = longest.measurement.eccentricity or 0.0
    text = say_mount.longest(len(lights), seen)
    if seen < ELONGATED or longest.measurement.alignment is None:
        return text
    text += say_mount.aligned(longest.measurement.alignment)
    if longest.measurement.alignment < policy[ALIGNMENT]:
        return text + say_mount.NOT_ONE_WAY
    if (longest.measurement.axis_ratio or 1.0) < LINES_AXIS_RATIO:
        return text  # why it is not graded says the rest
    return text + say_mount.TRACKING_OR_OPTICS


def _came_after(lights: Lights, hit: Lights) -> tuple[str, str]:
    """Say what trailed frames came right after, where that is more than chance."""
    for what, firsts in first_frames(lights).items():
        keys = {t.frame.key for t in firsts}
        came = sum(t.frame.key in keys for t in hit)
        if came >= 2 and came >= len(hit) / 2 and len(firsts) < len(lights) / 2:
            return say_mount.right_after(came, what), say_mount.settle_check(what)
    return "", ""


def _focus(lights: Lights, events: Sequence[Event], policy: Policy) -> PartVerdict:
    measured = comparable([t for t in _starry(lights) if t.frame.measurement.fwhm_px is not None])
    if not measured:
        return not_comparable(lights)
    hit = [t for t in measured if t.has(FaultName.DEFOCUSED)]
    words = say_focus.out_of_focus(lost_by(hit, FaultName.DEFOCUSED))
    found = by_share(measured, lambda t: t.has(FaultName.DEFOCUSED), words)
    times = [e.start for e in events if e.kind == "refocus"]
    text = found.evidence + say_focus.refocused_at(times)
    offsets = filters_out(measured, policy)
    if not offsets:
        return PartVerdict(found.verdict, text)
    opinion = Opinion.FAIR if found.verdict is Opinion.GOOD else found.verdict
    checks = [CHECKS[Part.FOCUS] if hit else "", say_focus.OFFSET_CHECK]
    return PartVerdict(opinion, together([text, *offsets]), together(checks))


def _optics(lights: Lights) -> PartVerdict:
    """Judge tilt and curvature by the frames without faults, so that tracking stays out of it."""
    clean = [
        t.frame for t in lights if not any(f.grade is not Grade.KEEP for f in t.verdict.faults)
    ]
    tilts = [f.measurement.tilt for f in clean if f.measurement.tilt is not None]
    curves = [f.measurement.curvature for f in clean if f.measurement.curvature is not None]
    if len(tilts) < 3 or len(curves) < 3:
        return unknown(say_focus.NO_CORNERS)
    tilt, curve = median(tilts), median(curves)
    text = say_focus.field_shape(tilt, curve)
    if tilt >= TILT_POOR or curve >= CURVATURE_POOR:
        return PartVerdict(Opinion.POOR, text)
    fair = tilt >= TILT_FAIR or curve >= CURVATURE_FAIR
    return PartVerdict(Opinion.FAIR if fair else Opinion.GOOD, text)


STARS_TO_TELL = 5  # of tracking and focus
