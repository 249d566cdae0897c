"""The first look at a frame, while the frames after it are not taken yet.

The rules are those of the grading. What they compare with is weighed: what was usual on earlier
nights counts as so many frames, so that a night that begins in cloud or out of focus does not
become the normal that its first good frame is measured by.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from runlog.core.frame import Frame, Verdict
from runlog.core.grading.history import History
from runlog.core.grading.policy import Policy


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
    raise NotImplementedError
