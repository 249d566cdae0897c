"""A verdict for each part of the rig, with its evidence and what to check before dark."""

from collections.abc import Sequence
from dataclasses import replace
from statistics import median

from runlog.core.frame import Grade
from runlog.core.grading.policy import Policy
from runlog.core.story.camera import camera_verdict
from runlog.core.story.focus_verdict import focus_verdict
from runlog.core.story.model import (
    Event,
    Lights,
    Night,
    Opinion,
    Pace,
    Part,
    PartVerdict,
    ToCheck,
    unknown,
)
from runlog.core.story.phrases import focus as say_focus
from runlog.core.story.phrases import mount as say_mount
from runlog.core.story.phrases import schedule as say_schedule
from runlog.core.story.phrases.common import together
from runlog.core.story.pointing import pointing_verdict
from runlog.core.story.schedule import schedule_verdict
from runlog.core.story.sky import sky_verdict
from runlog.core.story.tracking import tracking_verdict

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
        Part.TRACKING: _with_wind(tracking_verdict(lights, policy), events),
        Part.FOCUS: focus_verdict(lights, events, policy),
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
    checks = [(part, found[part].check or CHECKS.get(part, "")) for part in poor]
    return [ToCheck(part, words) for part, words in checks if words]


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
