"""A verdict for each part of the rig, with its evidence and what to check before dark."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from statistics import median

from runlog.core.columns import clock, hours, plural
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
    Opinion,
    Part,
    PartVerdict,
    by_share,
    comparable,
    lost_words,
    not_comparable,
    unknown,
)
from runlog.core.story.pointing import ELSEWHERE_CHECK, elsewhere_words, laid_on_another, steps
from runlog.core.story.sky import sky_verdict

OPEN_GOOD, OPEN_FAIR = 0.85, 0.7  # shutter open, share of the time from first to last
TILT_FAIR, TILT_POOR = 0.15, 0.35  # span of the width over the frame, share of its median
CURVATURE_FAIR, CURVATURE_POOR = 0.25, 0.6  # corner against centre

# What to look at where the evidence does not say it more closely.
CHECKS = {
    Part.TRACKING: "balance, cables that drag, and the guiding; then wind",
    Part.FOCUS: "that a focus run follows a fall of 1 to 2 C, and that the focuser does not slip",
    Part.OPTICS: "the adapter and the spacing of the corrector",
    Part.SCHEDULE: "what runs between exposures: dithers, refocus runs, waits",
}
POINTING_CHECKS = {
    "jump": "cables over the whole swing of the mount, and the clutches",
    "drift": "the polar alignment, and what bends between guiding and telescope",
    "no-dither": "that dithering is switched on",
}
Dark = tuple[datetime, datetime]


@dataclass(frozen=True, slots=True)
class Pace:
    """How the time between the first and last frame was used."""

    first: datetime
    last: datetime
    open_shutter_s: float
    elapsed_s: float
    overhead_median_s: float | None


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
        Part.TRACKING: _tracking(lights, policy),
        Part.FOCUS: _focus(lights, events, policy),
        Part.POINTING: _pointing(lights, events),
        Part.CAMERA: camera_verdict(lights, own_rows),
        Part.SKY: sky_verdict(lights, night.doubt),
        Part.OPTICS: _optics(lights),
        Part.SCHEDULE: _schedule(lights, pace, events, night),
    }


def _no_lights(night: Night) -> str:
    return "no light frame tells its time" if night.undated else "there are no lights"


def to_check(found: dict[Part, PartVerdict]) -> list[str]:
    """Say what to look at before the next night, worst parts first."""
    order = [Opinion.POOR, Opinion.FAIR]
    poor = sorted(
        (p for p, v in found.items() if v.verdict in order),
        key=lambda p: order.index(found[p].verdict),
    )
    return [f"{part.value}: {found[part].check or CHECKS[part]}" for part in poor]


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
    words = f"{' or '.join(said)}{lost_words(hit)}"
    found = by_share(measured, lambda t: t.has(*names), words)
    # Two images side by side look stretched: that is no stretch of the stars.
    single = [
        t.frame.measurement.eccentricity or 0.0 for t in measured if not t.has(FaultName.DOUBLED)
    ]
    middle = median(single) if single else None
    after, check = _came_after(lights, hit)
    text = f"{found.evidence}{after}"
    text += "" if middle is None else f"; median eccentricity {middle:.2f}"
    if middle is None or middle < ELONGATED:
        return PartVerdict(found.verdict, text, check)
    opinion = Opinion.FAIR if found.verdict is Opinion.GOOD else found.verdict
    text += ": the stars of most of the run are elongated, by tracking or by optics"
    checks = [check, CHECKS[Part.TRACKING], OPTICS_TOO]
    return PartVerdict(opinion, text, "; ".join(filter(None, checks)))


OPTICS_TOO = "the collimation, should the stars stay long in one direction when guiding is fine"


def _shape_seen(lights: Lights, policy: Policy) -> str:
    """Say how long the stars are in frames that nothing else is compared with."""
    if not lights:
        return ""
    longest = max(
        lights, key=lambda t: (t.frame.measurement.eccentricity or 0.0, t.frame.key)
    ).frame
    seen = longest.measurement.eccentricity or 0.0
    most = "; eccentricity" if len(lights) == 1 else "; the highest eccentricity"
    text = f"{most} {seen:.2f}"
    if seen < ELONGATED or longest.measurement.alignment is None:
        return text
    aligned = f"{text}, {longest.measurement.alignment:.0%} of it in one direction"
    if longest.measurement.alignment < policy[ALIGNMENT]:
        return f"{aligned}: long stars, but not all one way"
    if (longest.measurement.axis_ratio or 1.0) < LINES_AXIS_RATIO:
        return aligned  # why it is not graded says the rest
    return f"{aligned}: tracking or optics, unknown which"


def _came_after(lights: Lights, hit: Lights) -> tuple[str, str]:
    """Say what trailed frames came right after, where that is more than chance."""
    for what, firsts in first_frames(lights).items():
        keys = {t.frame.key for t in firsts}
        came = sum(t.frame.key in keys for t in hit)
        if came >= 2 and came >= len(hit) / 2 and len(firsts) < len(lights) / 2:
            check = f"that guiding has settled after {what} before the shutter opens"
            return f", {came} of them right after {what}", check
    return "", ""


def _focus(lights: Lights, events: Sequence[Event], policy: Policy) -> PartVerdict:
    measured = comparable([t for t in _starry(lights) if t.frame.measurement.fwhm_px is not None])
    if not measured:
        return not_comparable(lights)
    hit = [t for t in measured if t.has(FaultName.DEFOCUSED)]
    words = f"out of focus{lost_words(hit)}"
    found = by_share(measured, lambda t: t.has(FaultName.DEFOCUSED), words)
    times = [clock(e.start) for e in events if e.kind == "refocus"]
    refocused = f"; refocused at {' and '.join(times)} UTC" if times else ""
    text = found.evidence + refocused
    offsets = filters_out(measured, policy)
    if not offsets:
        return PartVerdict(found.verdict, text)
    opinion = Opinion.FAIR if found.verdict is Opinion.GOOD else found.verdict
    check = "the focus offset of each filter, by a focus run in each"
    if hit:
        check = f"{CHECKS[Part.FOCUS]}; {check}"
    return PartVerdict(opinion, "; ".join([text, *offsets]), check)


def _pointing(lights: Lights, events: Sequence[Event]) -> PartVerdict:
    where = laid_on_another(lights)
    apart = elsewhere_words(lights)
    if len(where) < 2:
        return unknown("; ".join(["too few frames could be laid on one another", *apart]))
    kinds = [e.kind for e in events]
    words, checks = [], [check for kind, check in POINTING_CHECKS.items() if kind in kinds]
    jumps = kinds.count("jump")
    if jumps:
        words.append(plural(jumps, "jump"))
    off = [t for t in lights if t.has(FaultName.OFF_TARGET)]
    if off:
        words.append(f"{plural(len(off), 'frame')} off target{lost_words(off)}")
        checks.append("the plate solving, and the target's coordinates in the plan")
    opinion = Opinion.POOR if words else Opinion.FAIR
    words += ["the field drifts"] if "drift" in kinds else []
    words += ["no dithering"] if "no-dither" in kinds else []
    if apart:
        words += apart
        checks.append(ELSEWHERE_CHECK)
    if words:
        return PartVerdict(opinion, ", ".join(words), "; ".join(checks))
    own = steps(lights)
    usual = f", dithered by {median(s.size_px for s in own):.0f} px" if own else ""
    return PartVerdict(Opinion.GOOD, f"{len(where)} frames on target{usual}")


def _optics(lights: Lights) -> PartVerdict:
    """Judge tilt and curvature by the frames without faults, so that tracking stays out of it."""
    clean = [
        t.frame for t in lights if not any(f.grade is not Grade.KEEP for f in t.verdict.faults)
    ]
    tilts = [f.measurement.tilt for f in clean if f.measurement.tilt is not None]
    curves = [f.measurement.curvature for f in clean if f.measurement.curvature is not None]
    if len(tilts) < 3 or len(curves) < 3:
        return unknown("too few clean frames have stars in every part of the field")
    tilt, curve = median(tilts), median(curves)
    text = f"width changes by {tilt:.0%} across the field, corners {curve:+.0%} against the centre"
    if tilt >= TILT_POOR or curve >= CURVATURE_POOR:
        return PartVerdict(Opinion.POOR, text)
    fair = tilt >= TILT_FAIR or curve >= CURVATURE_FAIR
    return PartVerdict(Opinion.FAIR if fair else Opinion.GOOD, text)


STARS_TO_TELL = 5  # of tracking and focus
ENOUGH_FOR_PACE = 3  # frames, to speak of a usual time between two


def _schedule(
    lights: Lights, pace: Pace | None, events: Sequence[Event], night: Night
) -> PartVerdict:
    if pace is None:
        return unknown(_no_lights(night))
    if pace.elapsed_s <= 0 or not pace.open_shutter_s:
        return unknown("no light frame tells how long it was exposed")
    if len(lights) < ENOUGH_FOR_PACE:
        shows = f"{plural(len(lights), 'frame')} show{'s' * (len(lights) == 1)} no pace"
        return unknown(f"{shows}{_dark_used(lights, night)}")
    share = pace.open_shutter_s / pace.elapsed_s
    opinion = (
        Opinion.GOOD if share >= OPEN_GOOD else Opinion.FAIR if share >= OPEN_FAIR else Opinion.POOR
    )
    gap = pace.overhead_median_s
    usual = f"; {gap:.0f} s between exposures" if gap is not None else ""
    paused = sum(e.cost_s for e in events if e.kind == "pause")
    idle = f"; paused for {hours(paused)}" if paused else ""
    silent = sum(t.frame.header.exposure_s is None for t in lights)
    least = f", {plural(silent, 'frame')} of unknown length left out" if silent else ""
    text = f"shutter open {share:.0%} of the time from first to last{least}{usual}{idle}"
    return PartVerdict(opinion, f"{text}{_dark_used(lights, night)}")


def _dark_used(lights: Lights, night: Night) -> str:
    """Say how much of the dark was exposed; without a place there is nothing to say."""
    dark = night.dark
    if night.doubt:
        return f"; how much of the dark was exposed is {night.doubt}"
    if dark is None:
        return ""
    open_s = (min(t.end, dark[1]) - max(t.start, dark[0]) for t in lights)
    used_s = sum(max(part.total_seconds(), 0.0) for part in open_s)
    whole_s = (dark[1] - dark[0]).total_seconds()
    return f"; {hours(used_s)} of {hours(whole_s)} of dark exposed"
