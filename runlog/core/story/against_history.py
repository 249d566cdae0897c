"""What a run shows beside the rig's other nights that is no fault of a frame."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

from runlog.core.grading.history import Dated, named_nights
from runlog.core.grading.summary import FEWEST_USABLE, Group, RunSummary
from runlog.core.story.camera import HOT_MORE_PPM, HOT_TIMES, NOISE_TIMES
from runlog.core.story.model import Opinion, Part, PartVerdict
from runlog.core.story.phrases import camera as say_camera
from runlog.core.story.phrases import history as say
from runlog.core.story.phrases.common import together

# Common practice, no source: what a person would notice.
SLOW_TIMES, SLOW_MORE_S = 2.0, 10.0  # between two exposures
YIELD_LESS = 0.3  # of the frames
SAME_SKY = 1.1  # a sky brighter by less explains a twentieth more noise at the most


@dataclass(frozen=True, slots=True)
class Fact:
    """Something about a part of the rig that was otherwise on other nights."""

    part: Part
    words: str
    check: str = ""  # given where it makes a good verdict fair


def facts(
    own: Sequence[RunSummary], chosen: Mapping[Group, Sequence[Dated]], night: str
) -> Iterator[Fact]:
    """Compare a run, in each filter and setting, with the nights chosen for it."""
    compared = [_Compared(s, around, night) for s in own if (around := chosen.get(s.group))]
    told = [s for s in compared if s.own.frames >= FEWEST_USABLE]
    for this in told:
        yield from this.facts()
    yield from _yield(told)


@dataclass(frozen=True, slots=True)
class _Compared:
    """A run in one filter and setting, beside the nights chosen for it."""

    own: RunSummary
    chosen: Sequence[Dated]
    night: str

    @property
    def others(self) -> list[RunSummary]:
        return [dated.summary for dated in self.chosen]

    @property
    def whose(self) -> str:
        later = sum(dated.night > self.night for dated in self.chosen)
        return named_nights(len(self.chosen), later)

    def facts(self) -> Iterator[Fact]:
        if all(other.exposure_s == self.own.exposure_s for other in self.others):
            yield from _hot_pixels(self.own, self.others, self.whose)
            yield from _noise(self.own, self.others, self.whose)
        yield from _overhead(self.own, self.others, self.whose)


def with_facts(
    verdicts: Mapping[Part, PartVerdict], found: Iterable[Fact]
) -> dict[Part, PartVerdict]:
    """Put facts behind the evidence of their parts, each once."""
    told = dict(verdicts)
    for fact in dict.fromkeys(found):
        have = told[fact.part]
        fair = fact.check and have.verdict in (Opinion.GOOD, Opinion.UNKNOWN)
        told[fact.part] = replace(
            have,
            verdict=Opinion.FAIR if fair else have.verdict,
            evidence=together([have.evidence, fact.words]),
            check=together([have.check, fact.check]),
        )
    return told


def _usual(
    others: Sequence[RunSummary], value: Callable[[RunSummary], float | None]
) -> float | None:
    known = [v for other in others if (v := value(other)) is not None]
    return median(known) if known else None


def _hot_pixels(own: RunSummary, others: Sequence[RunSummary], whose: str) -> Iterator[Fact]:
    usual = _usual(others, lambda s: s.hot_pixels_ppm)
    now = own.hot_pixels_ppm
    if usual and now is not None and now > HOT_TIMES * usual and now > usual + HOT_MORE_PPM:
        yield Fact(Part.CAMERA, say.hot_pixels(now, usual, whose), say_camera.HOT_CHECK)


def _noise(own: RunSummary, others: Sequence[RunSummary], whose: str) -> Iterator[Fact]:
    """Tell noise that grew under a sky as dark; without a zero level the sky is not known."""
    usual, sky = _usual(others, lambda s: s.noise_adu), _usual(others, lambda s: s.sky_adu_s)
    if not usual or not sky or own.noise_adu is None or own.sky_adu_s is None:
        return
    if own.noise_adu > NOISE_TIMES * usual and own.sky_adu_s < SAME_SKY * sky:
        yield Fact(Part.CAMERA, say.noisier(own.noise_adu, usual, whose), say_camera.NOISE_CHECK)


def _overhead(own: RunSummary, others: Sequence[RunSummary], whose: str) -> Iterator[Fact]:
    usual, now = _usual(others, lambda s: s.overhead_s), own.overhead_s
    if usual is None or now is None:
        return
    if now > SLOW_TIMES * usual and now > usual + SLOW_MORE_S:
        yield Fact(Part.SCHEDULE, say.slower(own.filter, now, usual, whose))


def _yield(compared: Sequence[_Compared]) -> Iterator[Fact]:
    """Compare how many of all frames came out right; each filter has nights of its own."""
    frames = sum(this.own.frames for this in compared)
    usable = sum(this.own.usable for this in compared)
    if not frames:
        return
    usual = sum(
        this.own.frames * (_usual(this.others, lambda s: s.share_usable) or 0.0)
        for this in compared
    ) / frames  # fmt: skip
    if usable / frames < usual - YIELD_LESS:
        most = max(compared, key=lambda this: (this.own.frames, this.own.group))
        yield Fact(Part.SCHEDULE, say.fewer_usable(usable, frames, usual, most.whose))
