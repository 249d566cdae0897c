"""The light budget in words: whose each loss is, and what would have helped."""

from collections.abc import Mapping, Sequence
from typing import Any

from runlog.core.columns import hours, plural
from runlog.core.frame import FaultName
from runlog.core.story.charged import BY_HAND, UNGRADED
from runlog.core.worth.dark import ALWAYS, NOT_UP, DarkUse
from runlog.core.worth.losses import FOCUS, GUIDING, LIGHT, SEEING, SKY, WIDTH, Budget

_SKY, _RIG, _PLAN, UNKNOWN = "the sky's", "the rig's", "the plan's", "unknown"
# What is seen does not tell which of the two.
_PLAN_OR_RIG, _RIG_OR_WIND, _RIG_OR_AIR = "plan or rig", "rig or wind", "rig or air"
CHANGEABLE = frozenset((_RIG, _PLAN, _PLAN_OR_RIG, _RIG_OR_WIND, _RIG_OR_AIR))
_WHOSE = {
    LIGHT: _SKY, SKY: _SKY, SEEING: _SKY, FOCUS: _RIG, GUIDING: _RIG, WIDTH: UNKNOWN,
    BY_HAND: "yours", UNGRADED: UNKNOWN,
    FaultName.CLOUD.value: _SKY, FaultName.SOFT.value: _SKY, FaultName.BRIGHT_SKY.value: _SKY,
    FaultName.STREAK.value: _SKY, FaultName.OBSTRUCTED.value: "the site's",
    FaultName.TRAILED.value: _RIG_OR_WIND, FaultName.DEW.value: _RIG_OR_AIR,
    FaultName.CLIPPED.value: _PLAN_OR_RIG, FaultName.OFF_TARGET.value: _PLAN_OR_RIG,
    FaultName.FEW_STARS.value: UNKNOWN, FaultName.UNREADABLE.value: UNKNOWN,
}  # fmt: skip


def whose(cause: str, what: str, *, of_few: bool = False) -> str:
    """Say whose doing a loss is, or between whom it lies; a fault not named is the rig's.

    Dark that was left unused is the plan's or the rig's, unless something is seen to be why. Runs
    of too few frames to tell a pace (`of_few`) do not show who left it.
    """
    if what == "dark" and of_few:
        return UNKNOWN
    if what == "dark" and cause in ALWAYS:
        return _RIG
    if what == "dark" and cause == NOT_UP:
        return _PLAN  # others would have been up
    if what == "dark":
        return _SKY if "," in cause else _PLAN_OR_RIG
    return _WHOSE.get(cause, _RIG)


def budget_words(found: Budget, nights: int) -> list[str]:
    """Say where the exposure time went, so that it adds up."""
    exposed = f"{hours(found.logged_s)} exposed, {hours(found.kept_s)} kept"
    said = [f"{plural(nights, 'night')}, {exposed}"]
    if found.per_kept_s is not None:
        said.append(_worth(found))
    if found.unknown_frames:
        frames = plural(found.unknown_frames, "kept frame")
        said.append(f"what {frames} ({hours(found.unknown_s)}) lost is unknown, as their depth is")
    return said


def _worth(found: Budget) -> str:
    lost_s = sum(x.lost_s for x in found.losses if x.kept)
    gained_s = sum(x.gained_s for x in found.losses)
    gained = f", {hours(gained_s)} gained" if gained_s >= 1 else ""
    behind = found.reference_nights
    if behind == (1,):
        best = "one night's best frames"
    else:
        best = "the best nights" + " (in part one night alone)" * (1 in behind)
    effective = f"what was kept is worth {hours(found.effective_s)} of {best}"
    return f"{effective}: {hours(lost_s)} lost in it{gained}"


def dark_words(dark: DarkUse | None) -> str | None:
    """Say how much of the dark was exposed; None where that was not asked, or is not known."""
    if dark is None or not dark.exposed_s:
        return None
    unused = hours(dark.dark_s - dark.exposed_s)
    return f"{hours(dark.dark_s)} dark: {hours(dark.exposed_s)} exposed in it, {unused} not"


def yours_words(rows: Sequence[Mapping[str, Any]]) -> str | None:
    """Name what cost most of what a person can change; None where nothing did."""
    own = [row for row in rows if row["whose"] in CHANGEABLE and row["cure_s"]]
    if not own:
        return None
    most = max(own, key=lambda row: row["cure_s"])
    what = {"dark": "dark ", "kept": "depth ", "not kept": ""}[most["what"]]
    return (
        f"the most that can be changed: {most['cause']}, {hours(most['lost_s'])} {what}lost; "
        f"without it {hours(most['cure_s'])} effective more"
    )


def cure_words(row: Mapping[str, Any]) -> str:
    """Say what there would be more of, had a cause not been."""
    if row["cure_s"] is None:
        return f"what a cure would have brought is unknown, because {_why_unknown(row)}"
    return f"without it {hours(row['cure_s'])} effective more"


def _why_unknown(row: Mapping[str, Any]) -> str:
    if row["what"] != "dark":
        return "its depth is not known"
    if row["whose"] == UNKNOWN:
        return "runs of so few frames tell no pace, and not whose time it was"
    if row["cause"] in ALWAYS:
        return "no night is without some of it"
    if row["whose"] == _SKY:
        return "the sky is why nothing was taken"
    return "what such nights are worth is not known"
