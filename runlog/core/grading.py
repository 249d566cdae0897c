"""Measurements against what is normal for the run: a grade with its faults and evidence."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from runlog.core.baseline import (
    ENOUGH,
    Normal,
    light_group,
    normal_of,
    normals,
    shape_group,
    shape_ratio,
    sky_rate,
)
from runlog.core.frame import Fault, FaultName, Grade, RunFrame, Verdict
from runlog.core.policy import DEFAULT_EXTINCTION_MAG, EXTINCTION_MAG, Limit, Policy

SEVERITY = {Grade.KEEP: 0, Grade.UNGRADED: 1, Grade.DOUBTFUL: 2, Grade.REJECT: 3}
SHAPE_FRAMES = 5  # fewer of one filter are compared with the whole run


@dataclass(frozen=True, slots=True)
class Case:
    """One frame and what it is compared with."""

    frame: RunFrame
    shape: Normal
    light: Normal
    transparency: float | None  # flux of the ranked star against the run's clear frames
    policy: Policy


def grade_run(frames: Sequence[RunFrame], policy: Policy) -> dict[str, Verdict]:
    """Grade the light frames of one run; the order they come in does not matter."""
    usable = [f for f in frames if f.measured]
    corrected = [_at_zenith(f) for f in usable]
    everything = normal_of(corrected)
    shapes = normals(corrected, shape_group)
    lights = normals(corrected, light_group)
    verdicts = {f.key: _unmeasured(f) for f in frames if not f.measured}
    for frame in corrected:
        own = shapes[shape_group(frame)]
        shape = own if own.frames >= SHAPE_FRAMES else everything
        verdicts[frame.key] = _judge(_case(frame, shape, lights[light_group(frame)], policy))
    return verdicts


def _case(frame: RunFrame, shape: Normal, light: Normal, policy: Policy) -> Case:
    ratio = _ratio(frame.ranked_flux_adu_s, light.flux_adu_s)
    return Case(frame, shape, light, ratio, policy)


def extinction_mag(filter_name: str) -> float:
    """Magnitudes a clear sky takes per airmass in a filter; bandwidths share their line's."""
    return EXTINCTION_MAG.get(filter_name.split(" ")[0], DEFAULT_EXTINCTION_MAG)


def _at_zenith(frame: RunFrame) -> RunFrame:
    """Give star fluxes back what a clear sky takes at their airmass."""
    if frame.ranked_flux_adu_s is None or frame.airmass is None:
        return frame
    gain = 10 ** (0.4 * extinction_mag(frame.filter) * (frame.airmass - 1))
    return replace(frame, ranked_flux_adu_s=frame.ranked_flux_adu_s * gain)


def _unmeasured(frame: RunFrame) -> Verdict:
    return Verdict(Grade.UNGRADED, note="; ".join(frame.notes) or "not measured")


def _judge(case: Case) -> Verdict:
    if case.frame.exposure_s is None:
        return Verdict(Grade.UNGRADED, note="no exposure time in the header")
    if case.shape.frames < ENOUGH:
        alone = case.shape.frames
        note = f"only {alone} frame{'s' * (alone > 1)} like it in this run: nothing to compare with"
        faults = _present(case, (_always_trailed, _no_stars))
        return Verdict(_worst(faults, Grade.UNGRADED), faults, note)
    faults = _present(case, CAUSES) or _present(case, (_few_stars,))
    return Verdict(_worst(faults, Grade.KEEP), faults + _present(case, (_clipped, _streak)))


def _present(case: Case, rules: Sequence["Rule"]) -> tuple[Fault, ...]:
    found = (rule(case) for rule in rules)
    return tuple(fault for fault in found if fault is not None)


def _worst(faults: Sequence[Fault], least: Grade) -> Grade:
    return max((least, *(f.grade for f in faults)), key=SEVERITY.__getitem__)


def _ratio(value: float | None, normal: float | None) -> float | None:
    return None if value is None or not normal else value / normal


def _above(value: float | None, limit: Limit) -> Grade | None:
    """Grade a value for which more is worse."""
    if value is None or value < limit.doubtful:
        return None
    return Grade.REJECT if value >= limit.reject else Grade.DOUBTFUL


def _below(value: float | None, limit: Limit) -> Grade | None:
    """Grade a value for which less is worse."""
    if value is None or value > limit.doubtful:
        return None
    return Grade.REJECT if value <= limit.reject else Grade.DOUBTFUL


def _trailed(case: Case) -> Fault | None:
    e, aligned = case.frame.eccentricity, case.frame.alignment
    if e is None or aligned is None or aligned < case.policy.trailed_alignment:
        return None
    grade = _above(e, case.policy.trailed_eccentricity)
    normal = case.shape.eccentricity
    if grade is None or (normal is not None and e < normal + case.policy.trailed_rise):
        return _always_trailed(case)
    usual = f", this run's usual is {normal:.2f}" if normal is not None else ""
    return Fault(
        FaultName.TRAILED,
        grade,
        f"eccentricity {e:.2f}{usual}; {aligned:.0%} of the stars' stretch is one direction",
    )


def _always_trailed(case: Case) -> Fault | None:
    e, aligned = case.frame.eccentricity, case.frame.alignment or 0.0
    if e is None or e < case.policy.trailed_always or aligned < case.policy.trailed_alignment:
        return None
    return Fault(
        FaultName.TRAILED,
        Grade.REJECT,
        f"eccentricity {e:.2f}, above {case.policy.trailed_always:.2f} on any rig",
    )


def _wide(case: Case) -> Fault | None:
    """Tell defocus, where the profile changes, from seeing, where it only scales."""
    ratio = _ratio(case.frame.fwhm_px, case.shape.fwhm_px)
    if ratio is None or _trailed(case) is not None:
        return None
    changed = _profile_changed(case)
    limit = case.policy.defocused_ratio if changed else case.policy.soft_ratio
    grade = _above(ratio, limit)
    if grade is None:
        return None
    why = f"; {changed}" if changed else "; the profile kept its shape"
    return Fault(
        FaultName.DEFOCUSED if changed else FaultName.SOFT,
        grade,
        f"FWHM {case.frame.fwhm_px:.1f} px, {ratio:.1f} times this run's "
        f"{case.shape.fwhm_px:.1f}{why}",
    )


def _profile_changed(case: Case) -> str | None:
    if case.frame.width_from == "moments":
        return "stars are discs or rings, no longer points"
    change = _ratio(shape_ratio(case.frame), case.shape.shape_ratio)
    if change is not None and abs(change - 1) >= case.policy.profile_change:
        return f"half-flux radius over FWHM changed by {change - 1:+.0%}"
    return None


def _cloud(case: Case) -> Fault | None:
    grade = _below(case.transparency, case.policy.cloud_transparency)
    if grade is not None and case.transparency is not None:
        return Fault(
            FaultName.CLOUD,
            grade,
            f"stars give {case.transparency:.0%} of the light they give in this run's "
            f"clear frames{_stars_left(case)}",
        )
    return _cloud_or_bright_sky(case) if case.transparency is None else None


def _stars_left(case: Case) -> str:
    if case.frame.stars is None or not case.light.stars:
        return ""
    return f"; {case.frame.stars} stars, usually {case.light.stars:.0f}"


def _cloud_or_bright_sky(case: Case) -> Fault | None:
    """Judge by star counts where no star's flux can be followed."""
    left = _ratio(case.frame.stars, case.light.stars)
    grade = _below(left, case.policy.cloud_stars)
    if grade is None or not case.frame.stars:
        return None
    return Fault(FaultName.CLOUD, grade, f"cloud or bright sky{_stars_left(case)}")


def _bright_sky(case: Case) -> Fault | None:
    if case.frame.pedestal_adu is None:
        return _bright_noise(case)
    ratio = _ratio(sky_rate(case.frame), case.light.sky_adu_s)
    grade = _above(ratio, case.policy.bright_sky_ratio)
    if grade is None or ratio is None:
        return None
    return Fault(
        FaultName.BRIGHT_SKY,
        grade,
        f"sky {ratio:.1f} times this run's darkest frames{_lit_by(case.frame)}",
    )


def _bright_noise(case: Case) -> Fault | None:
    ratio = _ratio(case.frame.noise_adu, case.light.noise_adu)
    grade = _above(ratio, case.policy.bright_noise_ratio)
    if grade is None or ratio is None:
        return None
    return Fault(
        FaultName.BRIGHT_SKY,
        grade,
        f"sky noise {ratio:.1f} times this run's quietest frames (the camera's zero level is "
        f"not known){_lit_by(case.frame)}",
    )


def _lit_by(frame: RunFrame) -> str:
    if frame.sun_alt_deg is not None and frame.sun_alt_deg > -18:
        return f"; the Sun is only {-frame.sun_alt_deg:.0f} degrees down"
    if frame.moon_alt_deg is not None and frame.moon_alt_deg > 0:
        return f"; the Moon is {frame.moon_alt_deg:.0f} degrees up"
    return ""


def _few_stars(case: Case) -> Fault | None:
    left = _ratio(case.frame.stars, case.light.stars)
    if left is None or left >= case.policy.few_stars_ratio:
        return _no_stars(case)
    return Fault(
        FaultName.FEW_STARS,
        Grade.REJECT,
        f"{case.frame.stars} stars where this run usually has {case.light.stars:.0f}",
    )


def _no_stars(case: Case) -> Fault | None:
    stars = case.frame.stars or 0
    if stars >= case.policy.few_stars_least:
        return None
    return Fault(FaultName.FEW_STARS, Grade.REJECT, f"{stars} stars found")


def _clipped(case: Case) -> Fault | None:
    """Note saturation far above what the exposure length explains; it rejects nothing."""
    clipped = case.frame.clipped_stars or 0
    usual = case.light.clipped_stars
    if usual is None or clipped < max(case.policy.clipped_least, case.policy.clipped_ratio * usual):
        return None
    return Fault(FaultName.CLIPPED, Grade.KEEP, f"{clipped} stars saturated, usually {usual:.0f}")


def _streak(case: Case) -> Fault | None:
    count = case.frame.streaks
    if not count:
        return None
    text = f"{count} satellite or aircraft trail{'s' * (count > 1)}; stacking removes them"
    return Fault(FaultName.STREAK, Grade.KEEP, text)


Rule = Callable[[Case], Fault | None]
CAUSES: tuple[Rule, ...] = (_trailed, _wide, _cloud, _bright_sky)
