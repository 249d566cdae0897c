"""The first look at a frame, while the frames after it are not taken yet.

The rules are those of the grading. What they compare with is weighed: what was usual on earlier
nights counts as so many frames, so that a night that begins in cloud or out of focus does not
become the normal that its first good frame is measured by.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from runlog.core.frame import Fault, FaultName, Frame, Grade, Verdict
from runlog.core.grading.baseline import ENOUGH, UsualShape
from runlog.core.grading.compared import ComparedFrame, ratio
from runlog.core.grading.faults.cloud import transparency
from runlog.core.grading.faults.few_stars import LEAST, is_wide
from runlog.core.grading.grade import checks_of, unmeasured, verdict_of
from runlog.core.grading.history import History
from runlog.core.grading.physics import passes_physics
from runlog.core.grading.policy import Policy
from runlog.core.grading.run_usual import RunUsual
from runlog.core.grading.summary import group_of
from runlog.core.grading.usual_light import UsualCount
from runlog.core.grading.width import at_airmass, sure_width
from runlog.core.watch.absolutes import absolute_faults, flat_fault, too_flat
from runlog.core.watch.wavering import wavering
from runlog.core.watch.weighed import in_true_focus, of_winged, weigh

ONLY_SUDDEN = "no earlier night to compare with: only sudden changes are told"
NEW_FIELD = "no earlier night shows this field: of its light only sudden losses are told"
SHARPER = 0.88  # of the usual width: the run was out of focus by what makes a frame doubtful
TOO_EARLY = "too early: no earlier night, and too few frames of this one, to compare with"


class Against(StrEnum):
    """What a first look could compare with."""

    NIGHTS = "nights"  # earlier nights, weighed with this run
    RUN = "run"  # this run alone: only sudden changes are told
    NOTHING = "nothing"  # too early: only what needs no comparison


@dataclass(frozen=True, slots=True)
class FirstLook:
    """What is said of a frame as soon as it is measured."""

    verdict: Verdict  # its grade, its faults, and in `note` what could not be compared
    against: Against
    light: float | None = None  # share of the usual light, 1 when clear
    width: float | None = None  # times the usual width


def first_look(
    frames: Sequence[Frame],
    newest: str,
    policy: Policy,
    history: History | None = None,
    usual: RunUsual | None = None,
) -> FirstLook:
    """Look at one frame of a run by what is known so far.

    Parameters
    ----------
    frames
        The counted lights of the run so far, the newest among them, as the settling sees them:
        measured or not, with context and placement. Their order does not matter.
    newest
        Content key of the frame to look at.
    policy, history
        As the settling of the run knows them (`store.history.of_frames`).
    usual
        What is usual among just these frames, where that was found already.
    """
    frame = next(f for f in frames if f.key == newest)
    if not frame.measurement.measured:
        return FirstLook(unmeasured(frame), Against.NOTHING)
    this, telling = _beside(usual or RunUsual(frames), frame, policy, history or {})
    against = _against(this)
    alone = against is Against.NOTHING
    verdict = _by_itself(this) if alone else verdict_of(this, checks_of(this))
    if against is Against.RUN and too_flat(frame) and this.shape.profile is None:
        verdict = _out_of_focus(verdict, frame)
    cloud = None if _knows_light(this) else wavering(telling, frame)
    if cloud is not None:
        verdict = _in_cloud(verdict, cloud)
    verdict = replace(verdict, note=verdict.note or _not_compared(this, against))
    share = None if cloud else transparency(this)[0]  # no frame was clear, to be a share of
    return FirstLook(verdict, against, share, _times(this))


def _against(this: ComparedFrame) -> Against:
    if this.earlier is not None:
        return Against.NIGHTS
    return Against.RUN if this.shape.frames >= ENOUGH else Against.NOTHING


def _not_compared(this: ComparedFrame, against: Against) -> str | None:
    if against is Against.RUN:
        return ONLY_SUDDEN
    field = this.frame.placement.matched_to
    if against is Against.NIGHTS and this.earlier and field not in this.earlier.lights:
        return NEW_FIELD
    return None


def _times(this: ComparedFrame) -> float | None:
    usual = this.shape.fwhm_px
    return None if usual is None else ratio(sure_width(this.frame), at_airmass(this, usual))


def _out_of_focus(verdict: Verdict, frame: Frame) -> Verdict:
    """Put what the profile alone tells before what was found, where no frame shows the focus."""
    others = [f for f in verdict.faults if f.name not in (FaultName.DEFOCUSED, FaultName.SOFT)]
    faults = sorted([flat_fault(frame), *others], key=lambda f: f.grade is not Grade.REJECT)
    return replace(verdict, grade=Grade.REJECT, faults=tuple(faults))


def _knows_light(this: ComparedFrame) -> bool:
    """Tell whether nights before showed the field, and how bright its stars are in clear air."""
    earlier = None if this.earlier is None else this.earlier.earlier_alone
    return earlier is not None and this.frame.placement.matched_to in earlier.lights


def _in_cloud(verdict: Verdict, cloud: Fault) -> Verdict:
    """Call a frame cloudy that would be kept; one that is found so keeps its grade.

    What it was compared with was no clear frame, so that cloud is all that is said of it.
    """
    if verdict.grade is Grade.KEEP:
        return replace(verdict, grade=cloud.grade, faults=(cloud, *verdict.faults))
    faults = [
        Fault(f.name, f.grade, cloud.evidence) if f.name is cloud.name else f
        for f in verdict.faults
    ]
    return replace(verdict, faults=tuple(faults))


def _by_itself(this: ComparedFrame) -> Verdict:
    """Judge a frame that nothing compares with by what no comparison is needed for."""
    faults = absolute_faults(this)
    if faults:
        return Verdict(Grade.REJECT, faults, TOO_EARLY, alone=True)
    found = verdict_of(this, checks_of(this))
    note = found.note if found.faults else TOO_EARLY
    return replace(found, note=note)


# --- what it compares with ------------------------------------------------------------------


def _beside(
    run: RunUsual, frame: Frame, policy: Policy, history: History
) -> tuple[ComparedFrame, list[Frame]]:
    """Set a frame beside the run so far, its usual by the frames that may speak for it."""
    measured, whole = run.measured, run.beside(frame, policy, history)
    telling = _telling(run, frame, policy, history)
    own = whole if len(telling) == len(measured) else _compared(telling, frame, policy, history)
    usual = replace(whole, shape=own.shape, light=own.light, count=own.count)
    if own.earlier is None and own.shape.frames < ENOUGH:
        usual = replace(usual, shape=_shape_of_bad(measured, frame, policy))
    if usual.earlier is None and (_times(usual) or 1.0) <= SHARPER:
        # The run was worse so far: its profile and its counts are no measure of a better frame.
        usual = replace(usual, shape=replace(usual.shape, profile=None), count=UsualCount())
    return in_true_focus(weigh(of_winged(usual), _alike(telling, frame))), telling


def _shape_of_bad(frames: Sequence[Frame], frame: Frame, policy: Policy) -> UsualShape:
    """Take the shape of a run so far that is impossible throughout; its profile tells no focus."""
    with_stars = [f for f in frames if f.key == frame.key or not _is_starless(f, policy)]
    return replace(_compared(with_stars, frame, policy, {}).shape, profile=None)


def _compared(
    frames: Sequence[Frame], frame: Frame, policy: Policy, history: History
) -> ComparedFrame:
    return RunUsual(frames).beside(frame, policy, history)


def _alike(frames: Sequence[Frame], frame: Frame) -> int:
    name = frame.context.filter
    return sum(f.context.filter == name and f.key != frame.key for f in frames)


def _telling(run: RunUsual, newest: Frame, policy: Policy, history: History) -> list[Frame]:
    """Leave out the frames that must not say what is usual; the one looked at stays.

    What neither sky nor optics make of stars is left out always, and where earlier nights are
    known what these alone would reject.
    """
    return [f for f in run.measured if f.key == newest.key or _may_tell(run, f, policy, history)]


def _may_tell(run: RunUsual, frame: Frame, policy: Policy, history: History) -> bool:
    limits = policy.for_filter(frame.context.filter)
    if _is_starless(frame, limits) or not passes_physics(frame, limits):
        return False
    if group_of(frame) not in history:
        return not too_flat(frame)
    return not _is_rejected(run.beside(frame, policy, history))


def _is_starless(frame: Frame, policy: Policy) -> bool:
    return (frame.measurement.stars or 0) < policy[LEAST] and is_wide(frame)


def _is_rejected(this: ComparedFrame) -> bool:
    by_nights = weigh(this, 0)
    return verdict_of(by_nights, checks_of(by_nights)).grade is Grade.REJECT
