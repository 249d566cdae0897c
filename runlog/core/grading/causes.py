"""Which fault explains which: what a cause brings with it is not held against a frame twice."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.checks import Check

# In the order of what hides what: a doubled star also looks stretched.
SPOILING = {
    FaultName.READOUT: "rows that were read out wrong spoil all that is measured on them",
    FaultName.DOUBLED: "two images side by side look stretched and wide",
    FaultName.TRAILED: "a trail makes every star wide",
}
WIDTHS = (FaultName.DEFOCUSED, FaultName.SOFT)
# Half a frame looks covered, bands of rows look bright or cloudy.
MISREAD = (FaultName.OBSTRUCTED, FaultName.CLOUD, FaultName.BRIGHT_SKY, FaultName.FEW_STARS)
# Settings of the rule that is asked last, when nothing else accounts for missing stars.
LAST_SETTINGS = frozenset(("few_stars_share", "few_stars_least", "fewest_stars"))

PROFILE_SETTING = "halo_ratio"  # how a star's light spreads: a trail spreads it as well

Ask = Callable[[Check], bool]


@dataclass(frozen=True, slots=True)
class Override:
    """The cause that a check's finding is put down to, and why."""

    by: FaultName
    why: str


def overrides(checks: Sequence[Check]) -> Mapping[int, Override]:
    """Find the checks, by their place, whose finding another check's fault accounts for."""
    found = {i: c for i, c in enumerate(checks) if c.is_fault}
    if len(found) < 2:
        return {}
    put_down: dict[int, Override] = {}
    for rule in (_spoiled, _less_light, _few_stars):
        left = [c for i, c in found.items() if i not in put_down]
        for explains, override in rule(left):
            put_down |= {i: override for i, c in found.items() if i not in put_down and explains(c)}
    return put_down


def counted(checks: Sequence[Check]) -> list[Check]:
    """Keep the faults that are held against a frame."""
    put_down = overrides(checks)
    return [c for i, c in enumerate(checks) if c.is_fault and i not in put_down]


Found = list[tuple[Ask, Override]]


def _less_light(found: Sequence[Check]) -> Found:
    """Name what takes light out of the stars without any cloud."""
    reasons = []
    if any(c.setting == PROFILE_SETTING for c in found):
        words = "halos take light out of the stars without any cloud"
        reasons.append(Override(FaultName.FEW_STARS, words))
    if any(c.fault is FaultName.OBSTRUCTED and c.grade is Grade.REJECT for c in found):
        words = "what stands before the telescope dims the stars at its edge"
        reasons.append(Override(FaultName.OBSTRUCTED, words))
    if any(c.fault is FaultName.DOUBLED for c in found):
        words = "each of the two images has only a part of the light"
        reasons.append(Override(FaultName.DOUBLED, words))
    return [(lambda c: c.fault is FaultName.CLOUD, reason) for reason in reasons]


def _spoiled(found: Sequence[Check]) -> Found:
    """Name what leaves nothing to say of focus, and in a misread frame of nothing else either."""
    names = {c.fault for c in found}
    spoiling = next((name for name in SPOILING if name in names), None)
    if spoiling is None:
        return []
    misread = MISREAD if spoiling is FaultName.READOUT else ()
    symptoms = {*SPOILING, *WIDTHS, *misread} - {spoiling}
    return [
        (
            lambda c: c.fault in symptoms or c.setting == PROFILE_SETTING,
            Override(spoiling, SPOILING[spoiling]),
        )
    ]


def _few_stars(found: Sequence[Check]) -> Found:
    """Few stars are a finding of their own only where nothing else was found."""
    cause = next((c for c in found if c.setting not in LAST_SETTINGS and not c.noted), None)
    if cause is None:
        return []
    override = Override(cause.fault, "it accounts for the missing stars")
    return [(lambda c: c.setting in LAST_SETTINGS, override)]
