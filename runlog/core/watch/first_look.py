"""The first look at a frame, while the frames after it are not taken yet.

The rules are those of the grading. What they compare with is weighed: what was usual on earlier
nights counts as so many frames, so that a night that begins in cloud or out of focus does not
become the normal that its first good frame is measured by.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from runlog.core.frame import Frame, Grade, Verdict
from runlog.core.grading.baseline import ENOUGH
from runlog.core.grading.compared import ComparedFrame, ratio
from runlog.core.grading.faults.cloud import transparency
from runlog.core.grading.grade import checks_of, compared_frames, unmeasured, verdict_of
from runlog.core.grading.history import History
from runlog.core.grading.physics import passes_physics
from runlog.core.grading.policy import Policy
from runlog.core.grading.width import at_airmass, sure_width
from runlog.core.watch.absolutes import absolute_faults
from runlog.core.watch.weighed import weigh

ONLY_SUDDEN = "no earlier night to compare with: only sudden changes are told"
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
    frames: Sequence[Frame], newest: str, policy: Policy, history: History | None = None
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
    """
    frame = next(f for f in frames if f.key == newest)
    if not frame.measurement.measured:
        return FirstLook(unmeasured(frame), Against.NOTHING)
    this = _beside(frames, frame, policy, history or {})
    against = _against(this)
    if against is Against.NOTHING:
        verdict = _by_itself(this)
    else:
        verdict = verdict_of(this, checks_of(this))
    if against is Against.RUN and verdict.note is None:
        verdict = replace(verdict, note=ONLY_SUDDEN)
    share, _ = transparency(this)
    return FirstLook(verdict, against, share, _times(this))


def _against(this: ComparedFrame) -> Against:
    if this.earlier is not None:
        return Against.NIGHTS
    return Against.RUN if this.shape.frames >= ENOUGH else Against.NOTHING


def _times(this: ComparedFrame) -> float | None:
    usual = this.shape.fwhm_px
    return None if usual is None else ratio(sure_width(this.frame), at_airmass(this, usual))


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
    frames: Sequence[Frame], frame: Frame, policy: Policy, history: History
) -> ComparedFrame:
    """Set a frame beside the run so far, its usual by the frames that may speak for it."""
    telling = _telling(frames, frame, policy, history)
    whole = _compared(frames, frame, policy, history)
    if len(telling) == len(frames):
        return weigh(whole, _alike(telling, frame))
    own = _compared(telling, frame, policy, history)
    if own.earlier is None and own.shape.frames < ENOUGH:
        return whole
    usual = replace(whole, shape=own.shape, light=own.light, count=own.count)
    return weigh(usual, _alike(telling, frame))


def _compared(
    frames: Sequence[Frame], frame: Frame, policy: Policy, history: History
) -> ComparedFrame:
    beside = compared_frames(frames, policy, history)
    return next(this for this in beside if this.frame.key == frame.key)


def _alike(frames: Sequence[Frame], frame: Frame) -> int:
    name = frame.context.filter
    return sum(f.context.filter == name and f.key != frame.key for f in frames)


def _telling(
    frames: Sequence[Frame], frame: Frame, policy: Policy, history: History
) -> list[Frame]:
    """Leave out the frames that must not say what is usual; the one looked at stays.

    What neither sky nor optics make of stars is left out always, and where earlier nights are
    known what these alone would reject.
    """
    measured = [f for f in frames if f.measurement.measured]
    bad = {f.key for f in measured if not passes_physics(f, policy.for_filter(f.context.filter))}
    if history:
        bad |= _rejected(measured, policy, history)
    return [f for f in measured if f.key == frame.key or f.key not in bad]


def _rejected(frames: Sequence[Frame], policy: Policy, history: History) -> set[str]:
    beside = (weigh(this, 0) for this in compared_frames(frames, policy, history))
    return {
        this.frame.key
        for this in beside
        if this.earlier is not None and verdict_of(this, checks_of(this)).grade is Grade.REJECT
    }
