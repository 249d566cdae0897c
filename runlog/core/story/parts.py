"""A verdict for each part of the rig, with its evidence and what to check before dark."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median

from runlog.core.frame import FaultName
from runlog.core.story.events import COOLING_OFF_C
from runlog.core.story.pointing import placed, steps
from runlog.core.story.told import Event, Lights, Opinion, Part, PartVerdict, Told

FAIR_BELOW = 0.1  # share of frames in trouble
OPEN_GOOD, OPEN_FAIR = 0.85, 0.7  # shutter open, share of the time from first to last
TILT_FAIR, TILT_POOR = 0.15, 0.35  # span of the width over the frame, share of its median
CURVATURE_FAIR, CURVATURE_POOR = 0.25, 0.6  # corner against centre

CHECKS = {
    Part.TRACKING: "balance, cables that drag, and the guiding; then wind",
    Part.FOCUS: "that a focus run follows a fall of 1 to 2 C, and that the focuser does not slip",
    Part.POINTING: "cables over the whole swing of the mount, clutches, and the plate solving",
    Part.CAMERA: "the cooler's power and the set point: about 40 C under ambient is the most",
    Part.SKY: "the forecast, and the Moon's hours against the plan",
    Part.OPTICS: "the adapter and the spacing of the corrector",
    Part.SCHEDULE: "what runs between exposures: dithers, refocus runs, waits",
}


@dataclass(frozen=True, slots=True)
class Pace:
    """How the time between the first and last frame was used."""

    first: datetime
    last: datetime
    open_shutter_s: float
    elapsed_s: float
    overhead_median_s: float | None


def verdicts(lights: Lights, events: Sequence[Event], pace: Pace | None) -> dict[Part, PartVerdict]:
    """Judge each part of the rig; unknown, because ..., where the frames cannot tell."""
    return {
        Part.TRACKING: _tracking(lights),
        Part.FOCUS: _focus(lights),
        Part.POINTING: _pointing(lights, events),
        Part.CAMERA: _camera(lights),
        Part.SKY: _sky(lights),
        Part.OPTICS: _optics(lights),
        Part.SCHEDULE: _schedule(pace, events),
    }


def to_check(found: dict[Part, PartVerdict]) -> list[str]:
    """Say what to look at before the next night, worst parts first."""
    order = [Opinion.POOR, Opinion.FAIR]
    poor = sorted(
        (p for p, v in found.items() if v.verdict in order),
        key=lambda p: order.index(found[p].verdict),
    )
    return [f"{part.value}: {CHECKS[part]}" for part in poor]


def _unknown(why: str) -> PartVerdict:
    return PartVerdict(Opinion.UNKNOWN, f"unknown, because {why}")


def _by_share(lights: Lights, hit: Callable[[Told], bool], words: str) -> PartVerdict:
    """Judge by the share of frames in trouble: none good, under a tenth fair, else poor."""
    count = sum(map(hit, lights))
    if not count:
        return PartVerdict(Opinion.GOOD, f"none of {len(lights)} frames {words}")
    opinion = Opinion.FAIR if count < FAIR_BELOW * len(lights) else Opinion.POOR
    return PartVerdict(opinion, f"{count} of {len(lights)} frames {words}")


def _tracking(lights: Lights) -> PartVerdict:
    measured = [t for t in lights if t.frame.eccentricity is not None]
    if not measured:
        return _unknown("no frame has measured stars")
    names = (FaultName.TRAILED, FaultName.DOUBLED)
    found = _by_share(measured, lambda t: t.has(*names), "trailed")
    usual = median(t.frame.eccentricity or 0.0 for t in measured)
    return PartVerdict(found.verdict, f"{found.evidence}; eccentricity usually {usual:.2f}")


def _focus(lights: Lights) -> PartVerdict:
    measured = [t for t in lights if t.frame.fwhm_px is not None]
    if not measured:
        return _unknown("no frame has measured stars")
    return _by_share(measured, lambda t: t.has(FaultName.DEFOCUSED), "out of focus")


def _pointing(lights: Lights, events: Sequence[Event]) -> PartVerdict:
    where = placed(lights)
    if len(where) < 2:
        return _unknown("too few frames could be laid on one another")
    jumps = [e for e in events if e.kind == "jump"]
    off = sum(t.has(FaultName.OFF_TARGET) for t in lights)
    if jumps or off:
        words = [f"{len(jumps)} jump{'s' * (len(jumps) > 1)}"] if jumps else []
        words += [f"{off} frames off target"] if off else []
        return PartVerdict(Opinion.POOR, " and ".join(words))
    if any(e.kind in ("drift", "no-dither") for e in events):
        kinds = sorted({e.kind for e in events if e.kind in ("drift", "no-dither")})
        said = {"drift": "the field drifts", "no-dither": "no dithering"}
        return PartVerdict(Opinion.FAIR, ", ".join(said[kind] for kind in kinds))
    own = steps(lights)
    usual = f", dithered by {median(s.size_px for s in own):.0f} px" if own else ""
    return PartVerdict(Opinion.GOOD, f"{len(where)} frames on target{usual}")


def _camera(lights: Lights) -> PartVerdict:
    glitches = sum(t.has(FaultName.READOUT) for t in lights)
    if glitches:
        return PartVerdict(Opinion.POOR, f"{glitches} frames with a glitch in the read-out")
    off = [
        abs(t.frame.sensor_c - t.frame.set_c)
        for t in lights
        if t.frame.sensor_c is not None and t.frame.set_c is not None
    ]
    if not off:
        return _unknown("the headers do not give sensor and set temperature")
    worst = max(off)
    opinion = Opinion.GOOD if worst <= COOLING_OFF_C else Opinion.POOR
    return PartVerdict(opinion, f"the sensor stayed within {worst:.1f} C of its set point")


def _sky(lights: Lights) -> PartVerdict:
    measured = [t for t in lights if t.frame.stars is not None]
    if not measured:
        return _unknown("no frame was measured")
    kinds = {
        FaultName.CLOUD: "cloud",
        FaultName.OBSTRUCTED: "an obstruction",
        FaultName.BRIGHT_SKY: "bright sky",
        FaultName.SOFT: "poor seeing",
    }
    seen = [word for name, word in kinds.items() if any(t.has(name) for t in measured)]
    words = f"under {', '.join(seen)}" if seen else "under cloud, bright sky or poor seeing"
    return _by_share(measured, lambda t: t.has(*kinds), words)


def _optics(lights: Lights) -> PartVerdict:
    """Judge tilt and curvature by the frames without faults, so that tracking stays out of it."""
    clean = [t.frame for t in lights if not t.verdict.faults]
    tilts = [f.tilt for f in clean if f.tilt is not None]
    curves = [f.curvature for f in clean if f.curvature is not None]
    if len(tilts) < 3 or len(curves) < 3:
        return _unknown("too few clean frames have stars in every part of the field")
    tilt, curve = median(tilts), median(curves)
    text = f"width changes by {tilt:.0%} across the field, corners {curve:+.0%} against the centre"
    if tilt >= TILT_POOR or curve >= CURVATURE_POOR:
        return PartVerdict(Opinion.POOR, text)
    fair = tilt >= TILT_FAIR or curve >= CURVATURE_FAIR
    return PartVerdict(Opinion.FAIR if fair else Opinion.GOOD, text)


def _schedule(pace: Pace | None, events: Sequence[Event]) -> PartVerdict:
    if pace is None or pace.elapsed_s <= 0:
        return _unknown("no light frame has a date")
    share = pace.open_shutter_s / pace.elapsed_s
    opinion = (
        Opinion.GOOD if share >= OPEN_GOOD else Opinion.FAIR if share >= OPEN_FAIR else Opinion.POOR
    )
    gap = pace.overhead_median_s
    usual = f"; {gap:.0f} s between exposures" if gap is not None else ""
    paused = sum(e.cost_s for e in events if e.kind == "pause")
    idle = f"; paused for {paused / 60:.0f} min" if paused else ""
    text = f"shutter open {share:.0%} of the time from first to last{usual}{idle}"
    return PartVerdict(opinion, text)
