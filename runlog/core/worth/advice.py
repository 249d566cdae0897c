"""What is advised of a frame, and of a picture's frames together."""

from dataclasses import dataclass
from enum import StrEnum

from runlog.core.frame import FaultName, Frame
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


@dataclass(frozen=True, slots=True)
class Effect:
    """What a frame does to the picture of the others, as shares."""

    depth: float  # of faint surfaces
    stars: float | None  # depth of stars; None where it has no profile, as the width
    width: float | None

    @classmethod
    def between(cls, after: Picture, before: Picture) -> "Effect":
        """Compare two pictures; both hold frames."""
        stars = _ratio(after.star_depth, before.star_depth)
        return cls(after.depth / before.depth - 1, stars, _ratio(after.fwhm, before.fwhm))

    def gain(self, form: DepthForm) -> float:
        """Give the gain of depth in a form; of surfaces where that of stars is unknown."""
        return self.depth if form is DepthForm.EXTENDED or self.stars is None else self.stars


def _ratio(after: float | None, before: float | None) -> float | None:
    return after / before - 1 if after and before else None


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
    left_out: int  # kept frames whose light or width is unknown
    judged: tuple[Judged, ...]
    together: Effect | None = None  # of following the advice, against the picture now
    looked: Effect | None = None  # of keeping those to be looked at as well, against that

    def advised(self, advice: Advice) -> list[Frame]:
        """Give the frames that are advised so."""
        return [one.frame for one in self.judged if one.advice is advice]
