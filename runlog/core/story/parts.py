"""A verdict for each part of the rig, with its evidence and what to check before dark."""

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.policy import Policy
from runlog.core.story.camera import camera_verdict
from runlog.core.story.focus_verdict import focus_verdict
from runlog.core.story.model import (
    Dark,
    Event,
    Lights,
    Opinion,
    Pace,
    Part,
    PartVerdict,
    ToCheck,
    lost_by,
    unknown,
)
from runlog.core.story.phrases import focus as say_focus
from runlog.core.story.phrases import mount as say_mount
from runlog.core.story.phrases import schedule as say_schedule
from runlog.core.story.phrases.common import together
from runlog.core.story.pointing import elsewhere_words, laid_on_another, steps
from runlog.core.story.sky import sky_verdict
from runlog.core.story.tracking import tracking_verdict

OPEN_GOOD, OPEN_FAIR = 0.85, 0.7  # shutter open, share of the time from first to last
TILT_FAIR, TILT_POOR = 0.15, 0.35  # span of the width over the frame, share of its median
CURVATURE_FAIR, CURVATURE_POOR = 0.25, 0.6  # corner against centre

# What to look at where the evidence does not say it more closely.
CHECKS = {
    Part.TRACKING: say_mount.TRACKING_CHECK,
    Part.FOCUS: say_focus.FOCUS_CHECK,
    Part.OPTICS: say_focus.OPTICS_CHECK,
    Part.SCHEDULE: say_schedule.CHECK,
}


@dataclass(frozen=True, slots=True)
class Night:
    """When it was dark, else why that is not known, and how many lights tell no time."""

    dark: Dark | None = None
    doubt: str = ""
    undated: int = 0


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
        Part.TRACKING: tracking_verdict(lights, policy),
        Part.FOCUS: focus_verdict(lights, events, policy),
        Part.POINTING: _pointing(lights, events),
        Part.CAMERA: camera_verdict(lights, own_rows),
        Part.SKY: sky_verdict(lights, night.doubt),
        Part.OPTICS: _optics(lights),
        Part.SCHEDULE: _schedule(lights, pace, events, night),
    }


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


def _pointing(lights: Lights, events: Sequence[Event]) -> PartVerdict:
    where = laid_on_another(lights)
    apart = elsewhere_words(lights)
    if len(where) < 2:
        return unknown(together([say_mount.TOO_FEW_PLACED, *apart]))
    kinds = [e.kind for e in events]
    words, checks = [], [check for kind, check in say_mount.EVENT_CHECKS.items() if kind in kinds]
    if "jump" in kinds:
        words.append(say_mount.jumps(kinds.count("jump")))
    off = [t for t in lights if t.has(FaultName.OFF_TARGET)]
    if off:
        words.append(say_mount.off_target(len(off), lost_by(off)))
        checks.append(say_mount.OFF_TARGET_CHECK)
    opinion = Opinion.POOR if words else Opinion.FAIR
    words += [say_mount.DRIFTS] if "drift" in kinds else []
    words += [say_mount.NO_DITHERING] if "no-dither" in kinds else []
    if apart:
        words += apart
        checks.append(say_mount.ELSEWHERE_CHECK)
    if words:
        return PartVerdict(opinion, ", ".join(words), together(checks))
    own = steps(lights)
    usual_px = median(s.size_px for s in own) if own else None
    return PartVerdict(Opinion.GOOD, say_mount.on_target(len(where), usual_px))


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


ENOUGH_FOR_PACE = 3  # frames, to speak of a usual time between two


def _schedule(
    lights: Lights, pace: Pace | None, events: Sequence[Event], night: Night
) -> PartVerdict:
    if pace is None:
        return unknown(_no_lights(night))
    if pace.elapsed_s <= 0 or not pace.open_shutter_s:
        return unknown(say_schedule.NO_LENGTHS)
    if len(lights) < ENOUGH_FOR_PACE:
        return unknown(say_schedule.no_pace(len(lights)) + _dark_used(lights, night))
    share = pace.share_open
    opinion = (
        Opinion.GOOD if share >= OPEN_GOOD else Opinion.FAIR if share >= OPEN_FAIR else Opinion.POOR
    )
    paused_s = sum(e.cost_s for e in events if e.kind == "pause")
    silent = sum(t.frame.header.exposure_s is None for t in lights)
    text = say_schedule.shutter_open(share, silent, pace.overhead_median_s, paused_s)
    return PartVerdict(opinion, text + _dark_used(lights, night))


def _dark_used(lights: Lights, night: Night) -> str:
    """Say how much of the dark was exposed; without a place there is nothing to say."""
    dark = night.dark
    if night.doubt:
        return say_schedule.dark_in_doubt(night.doubt)
    if dark is None:
        return ""
    open_s = (min(t.end, dark[1]) - max(t.start, dark[0]) for t in lights)
    used_s = sum(max(part.total_seconds(), 0.0) for part in open_s)
    return say_schedule.dark_used(used_s, (dark[1] - dark[0]).total_seconds())
