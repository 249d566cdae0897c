"""Whether to keep a frame, by what it does to the finished picture.

A picture is of one target, filter, rig and base of light; frames of other lengths scale by their
time. Asked about are doubtful frames, and kept ones that bring less than half of what the usual
kept frame does. What is no matter of light, sky and width (a trail, a drawn-out star) is not in
these numbers: such frames are to be looked at.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import log
from statistics import median

from runlog.core.frame import Frame, Grade
from runlog.core.ledger.effective_time import DepthForm, scale_of
from runlog.core.worth.advice import LACKING, UNTOLD, Advice, Asked, Effect, Judged
from runlog.core.worth.stack import Part, Picture, Weights, half_rule_e, picture_of

BORDERLINE = 0.5  # of what the usual kept frame brings
NEGLIGIBLE = 0.2  # likewise: either way is as well
FEWEST_KEPT = 3  # frames that make a picture to compare with
NO_PICTURE = f"fewer than {FEWEST_KEPT} frames of known depth are kept: there is no picture yet"
OTHER_LIGHT = "its light was never compared with that of the kept frames"
Parts = Mapping[str, Part]  # by the frame's key


def part_of(frame: Frame) -> Part | None:
    """Give what a frame brings; None where its depth is unknown."""
    own, time_s = frame.judgement, frame.header.exposure_s
    if not (own.light_e_adu and own.extended_s2_arcsec2_adu2 and time_s):
        return None
    signal, got = time_s * own.light_e_adu, frame.measurement
    width = (got.fwhm_px or 0.0) * scale_of(frame)
    return Part(signal, signal**2 / own.extended_s2_arcsec2_adu2, width, got.beta)


@dataclass(frozen=True)
class Frames:
    """All frames of one target, filter and rig, in order of time, and how they are judged."""

    every: Sequence[Frame]
    form: DepthForm
    weights: Weights

    @cached_property
    def _kept(self) -> list[Frame]:
        return [f for f in self.every if f.judgement.grade is Grade.KEEP]

    @cached_property
    def _base(self) -> str | None:
        """The base of light that most kept frames have; of as many the first by name."""
        bases = [f.judgement.depth_base for f in self._kept if f.judgement.depth_base]
        return min(set(bases), key=lambda b: (-bases.count(b), b)) if bases else None

    @cached_property
    def now(self) -> Parts:
        """What the picture is made of."""
        return self._parts(self._kept)

    @cached_property
    def shut(self) -> bool:
        """Tell whether there is no picture to compare with."""
        return len(self.now) < FEWEST_KEPT

    def _parts(self, frames: Sequence[Frame]) -> Parts:
        own = [f for f in frames if f.judgement.depth_base == self._base]
        return {f.key: part for f in own if (part := part_of(f)) is not None}

    # --- which are asked about --------------------------------------------------------------

    def _is_open(self, frame: Frame) -> bool:
        """Tell whether there is a question: it is doubtful, or kept by rule and brings little."""
        if frame.judgement.grade is Grade.DOUBTFUL:
            return True
        part = self.now.get(frame.key)
        if part is None or self.shut or frame.judgement.graded_by != "auto":
            return False
        return self._brings(part) < BORDERLINE

    def _brings(self, part: Part) -> float:
        """Give 2n (s / S - v / 2V): 1 for a frame as all are, in a sum of equal weights.

        To first order: exact sums for each kept frame would take the square of their number.
        """
        signal, variance = self._sums
        return 2 * len(self.now) * (part.signal_e / signal - part.variance_e2 / (2 * variance))

    @cached_property
    def _sums(self) -> tuple[float, float]:
        own = self.now.values()
        return sum(p.signal_e for p in own), sum(p.variance_e2 for p in own)

    # --- what they do -----------------------------------------------------------------------

    def ask(self, wanted: Callable[[Frame], bool], *, every_grade: bool = False) -> Asked | None:
        """Judge the wanted ones that there is a question about; None where there is none.

        With `every_grade` all that are wanted.
        """
        asked = [f for f in self.every if wanted(f) and (every_grade or self._is_open(f))]
        if not asked:
            return None
        own = {} if self.shut else self._parts(asked)
        better = self._best_together(own)
        judged = tuple(self._judged(f, own.get(f.key), f.key in better) for f in asked)
        place, kept = asked[0].context, len(self.now)
        return Asked(
            place.target, place.filter, place.rig, self.form, self.weights, kept,
            len(self._kept) - kept, judged, self._following(judged, own),
        )  # fmt: skip

    def _best_together(self, own: Parts) -> set[str]:
        """Choose among the frames asked about those that make the best picture together.

        To what is not asked about the one that brings most is added first, and each next one that
        makes the picture better still.
        """
        taken = {key: part for key, part in self.now.items() if key not in own}
        alone = {key: self._gain(taken, part) for key, part in own.items()}
        better = set()
        for key in sorted(own, key=lambda k: (-alone[k], k)):
            if self._gain(taken, own[key]) > 0:
                taken[key] = own[key]
                better.add(key)
        return better

    def _gain(self, taken: Parts, part: Part) -> float:
        if not taken:
            return part.signal_e**2 / part.variance_e2
        before = list(taken.values())
        after = picture_of([*before, part], self.weights)
        return Effect.between(after, picture_of(before, self.weights)).net(self.form)

    def _judged(self, frame: Frame, part: Part | None, better: bool) -> Judged:
        if part is None:
            return Judged(frame, Advice.UNKNOWN, self._unknown(frame))
        effects = {weights: self._effect(frame.key, part, weights) for weights in Weights}
        advice, why = self._advised(frame, effects[self.weights], better)
        usual = self._usual_light(frame)
        signal, variance = self._sums
        even = half_rule_e(signal, variance, part.variance_e2) / usual
        own = part.signal_e / usual
        return Judged(frame, advice, why, own, even, effects[Weights.EQUAL], effects[Weights.BEST])

    def _unknown(self, frame: Frame) -> str:
        lacks = frame.judgement.depth_lacks
        return LACKING[lacks] if lacks else NO_PICTURE if self.shut else OTHER_LIGHT

    def _effect(self, key: str, part: Part, weights: Weights) -> Effect:
        others = [own for name, own in self.now.items() if name != key]
        return Effect.between(picture_of([*others, part], weights), picture_of(others, weights))

    def _advised(self, frame: Frame, effect: Effect, better: bool) -> tuple[Advice, str]:
        usual = log(len(self.now) / (len(self.now) - 1)) / 2  # of one of so many alike
        if abs(effect.net(self.form)) < NEGLIGIBLE * usual:
            return Advice.EITHER, ""
        if not better:
            return Advice.DROP, ""
        untold = [fault.name.value for fault in frame.judgement.faults if fault.name in UNTOLD]
        return (Advice.LOOK, ", ".join(untold)) if untold else (Advice.KEEP, "")

    def _usual_light(self, frame: Frame) -> float:
        """Give the light of the usual kept frame in the time of this one."""
        kept = [f for f in self._kept if f.key in self.now]
        return median(f.judgement.light_e_adu or 0.0 for f in kept) * (frame.header.exposure_s or 0)

    def _following(self, judged: Sequence[Judged], own: Parts) -> Effect | None:
        """Compare the picture after the advice with that of now; None where nothing is advised."""
        after = dict(self.now)
        for one in judged:
            if one.advice is Advice.KEEP:
                after[one.frame.key] = own[one.frame.key]
            elif one.advice is Advice.DROP:
                after.pop(one.frame.key, None)
        if after.keys() == self.now.keys():
            return None
        return Effect.between(self._picture(after), self._picture(self.now))

    def _picture(self, parts: Parts) -> Picture:
        return picture_of(list(parts.values()), self.weights)
