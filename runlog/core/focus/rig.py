"""What all sweeps of one rig say together: slope, offsets, zone, when to focus again."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

from runlog.core.focus.advice import Advice, advice_of, in_epochs
from runlog.core.focus.found import found_focus
from runlog.core.focus.judge import Result, judge
from runlog.core.focus.slope import Offset, Slope, offsets_of, slope_of
from runlog.core.focus.sweep import Sweep
from runlog.core.focus.zone import Zone, off_by, zone_of
from runlog.core.frame import Frame, Grade
from runlog.core.grading.baseline import profile
from runlog.core.grading.faults.defocused import PROFILE_CHANGE, RATIO
from runlog.core.grading.policy import Policy

FEWEST_FRAMES = 5  # of a filter, before its usual width says anything


@dataclass(frozen=True, slots=True)
class RigFocus:
    """One rig's sweeps and what follows from them."""

    rig: str
    results: tuple[Result, ...]
    slope: Slope
    offsets: tuple[Offset, ...]
    advice: Advice
    zones: Mapping[str, Zone]  # by filter


def rig_focus(
    rig: str, sweeps: Sequence[Sweep], changes: Sequence[str], aperture_mm: float | None
) -> RigFocus:
    """Judge a rig's sweeps, all nights together; `changes` are nights from which it is another."""
    results = tuple(judge(sweep) for sweep in sorted(sweeps, key=lambda s: (s.at_utc, s.filter)))
    found = found_focus(results)
    placed = in_epochs(found, changes)
    slope = slope_of(placed)
    return RigFocus(
        rig,
        results,
        slope,
        tuple(offsets_of(placed, slope)),
        advice_of(found, slope),
        _zones(results, sweeps, aperture_mm),
    )


def _zones(
    results: Sequence[Result], sweeps: Sequence[Sweep], aperture_mm: float | None
) -> dict[str, Zone]:
    slopes = [r.fit.slope for r in results if r.good and r.fit]
    middle = median(slopes) if slopes else None
    last = {sweep.filter: sweep for sweep in sweeps}
    return {
        name: zone_of(name, sweep.focal_mm, aperture_mm, middle, sweep.pixel_um)
        for name, sweep in last.items()
    }


# --- what frames alone say --------------------------------------------------------------------


def sizes_of(frames: Sequence[Frame], results: Sequence[Result], policy: Policy) -> list[Offset]:
    """Say by how much filters are out of focus by the width of a night's lights: never which way.

    Width is even about the focus. Only what changed its profile counts: seeing keeps that, and
    filters' own widths differ a little.
    """
    slopes = [r.widths.slope for r in results if r.good and r.widths]
    groups: dict[str, list[Frame]] = {}
    for frame in frames:
        if frame.judgement.grade is not Grade.REJECT:
            groups.setdefault(frame.context.filter, []).append(frame)
    usual = {name: both for name, own in groups.items() if (both := _usual(own))}
    if len(usual) < 2 or not slopes:
        return []
    best = min(usual, key=lambda name: (usual[name][0], name))
    return [
        _size(name, best, off_by(usual[name][0], usual[best][0], median(slopes)))
        for name in sorted(usual)
        if _worse(usual[name], usual[best], policy)
    ]


def _size(name: str, best: str, steps: float) -> Offset:
    reason = "width is the same on both sides of the focus: frames tell the size, never the side"
    return replace(Offset(name, best, steps, source="frames"), reason=reason)


def _usual(frames: Sequence[Frame]) -> tuple[float, float] | None:
    widths = [f.measurement.fwhm_px for f in frames if f.measurement.fwhm_px is not None]
    profiles = [p for f in frames if (p := profile(f)) is not None]
    if min(len(widths), len(profiles)) < FEWEST_FRAMES:
        return None
    return median(widths), median(profiles)


def _worse(own: tuple[float, float], best: tuple[float, float], policy: Policy) -> bool:
    wider, flatter = own[0] / best[0], own[1] / best[1]
    return wider >= policy[RATIO].doubtful and flatter <= 1 - policy[PROFILE_CHANGE]
