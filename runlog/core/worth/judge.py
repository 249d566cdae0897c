"""Whether to keep a frame, by what it does to the finished picture.

A picture is of one target, filter, rig and base of light; frames of other lengths scale by their
time. Asked about are doubtful frames, and kept ones that bring less than half of what the usual
kept frame does. What is no matter of light, sky and width (a trail, a drawn-out star) is not in
these numbers: such frames are to be looked at.
"""

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import sqrt
from statistics import median

from runlog.core.frame import Frame, Grade, Lacks, Stage
from runlog.core.ledger.effective_time import DepthForm, scale_of
from runlog.core.worth.advice import UNTOLD, Advice, Asked, Effect, Judged
from runlog.core.worth.stack import Part, Picture, Weights, half_rule, picture_of

BORDERLINE = 0.5  # of what the usual kept frame brings
NEGLIGIBLE = 0.1  # likewise: either way is as well
FEWEST_KEPT = 3  # frames that make a picture to compare with
NO_PICTURE = f"fewer than {FEWEST_KEPT} frames of known depth are kept: there is no picture yet"
NOT_WHOLE = "part of it is not sky, or its pixels are not where they belong"
NO_LIGHT = "the width, the light or the noise of it is unknown"
OTHER_PIXELS = "its pixels are processed otherwise than those of the kept frames"
OTHER_LIGHT = "its light was never compared with that of the kept frames"
Parts = Mapping[str, Part]  # by the frame's key


def lights_of(frame: Frame) -> dict[str, float]:
    """Give a frame's light in ADU a second, by the key of the frame whose light is 1.

    Against the base of light of its target, and against the frame it was laid on. In ADU, as frames
    are added up: no gain has to be known.
    """
    own, place, egain = frame.judgement, frame.placement, frame.header.egain_e_adu
    found = {}
    if place.matched_to and place.throughput:
        found[place.matched_to] = place.throughput
    if own.depth_base and own.light_e_adu and egain:
        found[own.depth_base] = own.light_e_adu / egain
    return found


def part_of(frame: Frame, base: str | None) -> Part | None:
    """Give what a frame brings, in the light of a base; None where that is unknown."""
    light, got = lights_of(frame).get(base or ""), frame.measurement
    time_s = frame.header.exposure_s
    whole = frame.judgement.depth_lacks is not Lacks.WHOLE
    if not (whole and light and got.noise_adu and got.fwhm_px and time_s):
        return None
    scale = scale_of(frame)
    return Part(time_s * light, (got.noise_adu / scale) ** 2, got.fwhm_px * scale, got.beta)


def _is_mixed(frame: Frame) -> bool:
    return frame.header.stage not in (Stage.RAW, Stage.CALIBRATED)


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
        """The base that most kept frames have their light in; of as many the first by name."""
        bases = Counter(base for frame in self._kept for base in lights_of(frame))
        return min(bases, key=lambda base: (-bases[base], base), default=None)

    @cached_property
    def now(self) -> Parts:
        """What the picture is made of."""
        return self._parts(self._kept)

    @cached_property
    def shut(self) -> bool:
        """Tell whether there is no picture to compare with."""
        return len(self.now) < FEWEST_KEPT

    @cached_property
    def _mixed(self) -> bool:
        """Tell whether most kept frames are of mixed pixels, which have less noise."""
        return 2 * sum(map(_is_mixed, self._kept)) > len(self._kept)

    def _parts(self, frames: Sequence[Frame]) -> Parts:
        own = (f for f in frames if _is_mixed(f) is self._mixed)
        return {f.key: part for f in own if (part := part_of(f, self._base)) is not None}

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
        return 2 * len(self.now) * (part.signal_adu / signal - part.variance_adu2 / (2 * variance))

    @cached_property
    def _sums(self) -> tuple[float, float]:
        own = self.now.values()
        return sum(p.signal_adu for p in own), sum(p.variance_adu2 for p in own)

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
            len(self._kept) - kept, judged, *self._following(judged, own),
        )  # fmt: skip

    def keeping(self, wanted: Collection[str]) -> Effect | str:
        """Compare the picture with all of some frames, by key, with that without any of them.

        Where that is unknown, say why.
        """
        asked = [f for f in self.every if f.key in wanted]
        own = {} if self.shut else self._parts(asked)
        unknown = next((f for f in asked if f.key not in own), None)
        if unknown is not None:
            return self._unknown(unknown)
        others = {key: part for key, part in self.now.items() if key not in own}
        if not (others and own):
            return NO_PICTURE
        return Effect.between(self._picture({**others, **own}), self._picture(others))

    def _best_together(self, own: Parts) -> set[str]:
        """Choose among the frames asked about those that make the best picture together.

        To what is not asked about the one that brings most is added first, and each next one that
        makes the picture better still.
        """
        taken = self._picture({key: part for key, part in self.now.items() if key not in own})
        alone = {key: self._gain(taken, part) for key, part in own.items()}
        better = set()
        for key in sorted(own, key=lambda k: (-alone[k], k)):
            if self._gain(taken, own[key]) > 0:
                taken = taken.plus(own[key])
                better.add(key)
        return better

    def _gain(self, taken: Picture, part: Part) -> float:
        """Tell by how much a frame makes a picture deeper, in the rig's form of depth."""
        if not taken.frames:
            return part.signal_adu**2 / part.variance_adu2
        after = taken.plus(part)
        if self.form is DepthForm.POINT and after.star_depth and taken.star_depth:
            return after.star_depth / taken.star_depth - 1
        return after.depth / taken.depth - 1

    def _judged(self, frame: Frame, part: Part | None, better: bool) -> Judged:
        if part is None:
            return Judged(frame, Advice.UNKNOWN, self._unknown(frame))
        effects = {weights: self._effect(frame.key, part, weights) for weights in Weights}
        advice, why = self._advised(frame, effects[self.weights], better)
        usual = self._usual_light(frame)
        signal, variance = self._sums
        even = half_rule(signal, variance, part.variance_adu2) / usual
        own = part.signal_adu / usual
        return Judged(frame, advice, why, own, even, effects[Weights.EQUAL], effects[Weights.BEST])

    def _unknown(self, frame: Frame) -> str:
        if frame.judgement.depth_lacks is Lacks.WHOLE:
            return NOT_WHOLE
        if part_of(frame, next(iter(lights_of(frame)), None)) is None:
            return NO_LIGHT
        if self.shut:
            return NO_PICTURE
        return OTHER_LIGHT if _is_mixed(frame) is self._mixed else OTHER_PIXELS

    def _effect(self, key: str, part: Part, weights: Weights) -> Effect:
        now = self._whole[weights]
        others = now.minus(part) if key in self.now else now
        return Effect.between(others.plus(part), others)

    @cached_property
    def _whole(self) -> dict[Weights, Picture]:
        return {weights: picture_of(list(self.now.values()), weights) for weights in Weights}

    def _advised(self, frame: Frame, effect: Effect, better: bool) -> tuple[Advice, str]:
        usual = sqrt(len(self.now) / (len(self.now) - 1)) - 1  # of one of so many alike
        if abs(effect.gain(self.form)) < NEGLIGIBLE * usual:
            return Advice.EITHER, ""
        if not better:
            return Advice.DROP, ""
        untold = [fault.name.value for fault in frame.judgement.faults if fault.name in UNTOLD]
        return (Advice.LOOK, ", ".join(untold)) if untold else (Advice.KEEP, "")

    def _usual_light(self, frame: Frame) -> float:
        """Give the light of the usual kept frame in the time of this one."""
        return self._usual_adu_s * (frame.header.exposure_s or 0.0)

    @cached_property
    def _usual_adu_s(self) -> float:
        kept = [f for f in self._kept if f.key in self.now]
        return median(self.now[f.key].signal_adu / (f.header.exposure_s or 1.0) for f in kept)

    def _following(self, judged: Sequence[Judged], own: Parts) -> tuple[Effect | None, ...]:
        """Compare the picture after the advice with that of now, and with all to be looked at too.

        None where nothing is advised so.
        """
        after = dict(self.now)
        for one in judged:
            if one.advice is Advice.KEEP:
                after[one.frame.key] = own[one.frame.key]
            elif one.advice is Advice.DROP:
                after.pop(one.frame.key, None)
        looked = {x.frame.key: own[x.frame.key] for x in judged if x.advice is Advice.LOOK}
        return self._step(after, self.now), self._step(after | looked, after)

    def _step(self, after: Parts, before: Parts) -> Effect | None:
        if after.keys() == before.keys():
            return None
        return Effect.between(self._picture(after), self._picture(before))

    def _picture(self, parts: Parts) -> Picture:
        return picture_of(list(parts.values()), self.weights)
