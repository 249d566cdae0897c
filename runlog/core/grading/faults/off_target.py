"""Off target: pointing away from the run by more than a share of the field, or elsewhere."""

from collections.abc import Iterator

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.fault_kind import Check, FaultKind, Rule
from runlog.core.grading.policy import Limit, Setting

STARS_OF_A_FIELD = 30
PLENTY_SHARE = 0.4  # of the usual number: fewer may be cloud
MEANT_SHARE = 0.25  # of a run's frames: so many do not go astray together
SHARE = Setting(
    "off_target_share",
    Limit(0.1, 0.1),
    "Pointing away from the run by this share of the field: the stack loses that edge.",
)


def _off_target(this: ComparedFrame) -> Iterator[Check]:
    place = this.frame.placement
    if place.matched is False:
        yield from _no_field(this)
    elif place.matched and place.matched_to != this.aim.main:
        yield from _another_field(this)
    else:
        yield from _away(this)


def _away(this: ComparedFrame) -> Iterator[Check]:
    """Compare the place; what drifted there step by step did not go astray by itself."""
    away = this.aim.away(this.frame)
    if away is None:
        return
    limit, what = this.policy[SHARE], "share of the field it points away"
    if this.aim.nearest.get(this.frame.key, away) < limit.doubtful <= away:
        text = f"the field drifted to {away:.0%} of its width away from where the run points"
        yield Check(OFF_TARGET, what, Grade.KEEP, text, away, setting=SHARE)
        return
    text = f"the field is {away:.0%} of its width away from where the run points"
    yield OFF_TARGET.against(this, SHARE, away, what, text)


def _no_field(this: ComparedFrame) -> Iterator[Check]:
    """Plenty of stars, none where this target has them, while the rest of the run does fit."""
    stars, usual = this.frame.measurement.stars or 0, this.count.stars or 0
    if stars < max(STARS_OF_A_FIELD, PLENTY_SHARE * usual) or this.aim.main_share <= 0.5:
        return
    text = f"{stars} stars, but none of the patterns of this target's field"
    yield Check(OFF_TARGET, "field of the target", Grade.REJECT, text)


def _another_field(this: ComparedFrame) -> Iterator[Check]:
    """A few frames at a place that no other night of the name shows, while most of the run fit.

    Many frames of a run at one place were most likely meant; so were those of the place most
    taken under the name, and of one that other nights show.
    """
    frame, aim = this.frame, this.aim
    meant = (
        frame.placement.matched_to == frame.placement.best_of_name
        or (frame.placement.field_runs or 0) > 1
    )
    if meant or aim.main_share <= 0.5 or aim.share(frame.placement.matched_to) >= MEANT_SHARE:
        return
    most = aim.fields[0][1]
    text = f"its stars are those of another field than {most} of this run's {aim.frames} frames"
    text += f" of {frame.context.target} show" if frame.context.target else " show"
    yield Check(OFF_TARGET, "field of the target", Grade.REJECT, text)


OFF_TARGET = FaultKind(FaultName.OFF_TARGET, rules=(Rule(_off_target),), settings=(SHARE,))
