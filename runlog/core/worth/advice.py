"""What is advised of a frame, and of a picture's frames together."""

from dataclasses import dataclass
from enum import StrEnum
from math import log

from runlog.core.frame import FaultName, Frame, Lacks
from runlog.core.ledger.effective_time import DepthForm
from runlog.core.worth.stack import Picture, Weights


class Advice(StrEnum):
    """What to do with a frame."""

    KEEP = "keep"
    DROP = "drop"
    EITHER = "either"
    LOOK = "look"  # the numbers say keep, and do not tell of its fault
    UNKNOWN = "unknown"


# What light, sky and width do not tell of.
UNTOLD = (
    FaultName.TRAILED, FaultName.DOUBLED, FaultName.TILTED, FaultName.OFF_TARGET,
    FaultName.READOUT, FaultName.CLIPPED, FaultName.STREAK,
)  # fmt: skip
LACKING = {
    Lacks.GAIN: "its electrons per ADU are unknown",
    Lacks.ZERO: "its level without light is unknown",
    Lacks.STARS: "the width or light of its stars is unknown",
    Lacks.WHOLE: "part of it is not sky, or its pixels are not where they belong",
}


@dataclass(frozen=True, slots=True)
class Effect:
    """What a frame does to the picture of the others, as shares."""

    depth: float
    width: float | None  # None where it has no profile

    @classmethod
    def between(cls, after: Picture, before: Picture) -> "Effect":
        """Compare two pictures; both hold frames."""
        width = after.fwhm / before.fwhm - 1 if after.fwhm and before.fwhm else None
        return cls(after.depth / before.depth - 1, width)

    def net(self, form: DepthForm) -> float:
        """Give the gain of depth as a logarithm; of stars' depth, what wider stars take from it.

        A width that is unknown takes nothing.
        """
        wider = log(1 + (self.width or 0.0)) if form is DepthForm.POINT else 0.0
        return log(1 + self.depth) - wider


@dataclass(frozen=True, slots=True)
class Judged:
    """One frame that was asked about."""

    frame: Frame
    advice: Advice
    why: str = ""  # "" where the numbers say it
    light: float | None = None  # a second, over that of the usual kept frame
    half_rule: float | None = None  # the light above which it deepens a sum of equal weights
    equal: Effect | None = None  # what the picture with it is against that without it
    best: Effect | None = None


@dataclass(frozen=True, slots=True)
class Asked:
    """One picture, the frames that were asked about, and what following the advice does."""

    target: str
    filter: str
    rig: str
    form: DepthForm
    weights: Weights
    kept: int  # frames it is made of now
    left_out: int  # kept frames of unknown depth, or of another base of light
    judged: tuple[Judged, ...]
    together: Effect | None = None  # of following the advice, against the picture now

    def advised(self, advice: Advice) -> list[Frame]:
        """Give the frames that are advised so."""
        return [one.frame for one in self.judged if one.advice is advice]
