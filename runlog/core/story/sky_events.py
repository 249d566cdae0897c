"""Events of the sky: cloud, thin cloud, dew, and what stood in front, with their hours."""

from collections import Counter
from collections.abc import Callable, Iterator, Sequence

from runlog.core.frame import FaultName, Frame
from runlog.core.grading.baseline import profile
from runlog.core.grading.clear_view import SIDES
from runlog.core.grading.faults.dew import LEVEL_WORDS
from runlog.core.story.model import Event, GradedLight, Lights, event, stretches, worst_evidence
from runlog.core.story.phrases import sky as say
from runlog.core.story.thin_cloud import Spell, thin_cloud

DEW_FRAMES = 3


def find_clouds(lights: Lights) -> Iterator[Event]:
    """Find passages of cloud."""
    for stretch in stretches(lights, lambda t: t.has(FaultName.CLOUD)):
        yield event("cloud", stretch, say.cloud(_least_light(stretch)))


def find_thin_cloud(lights: Lights) -> Iterator[Event]:
    """Find hours of thin cloud that cost no frame."""
    for spell in thin_spells(lights):
        yield event("cloud", spell.lights, say.thin_cloud(spell.least, spell.most), costs=False)


def thin_spells(lights: Lights) -> Iterator[Spell]:
    """Find hours of thin cloud, apart from dew that grew and light that was lost at one level."""
    dewed = frozenset(t.frame.key for spell in _dewed(lights) for t in spell)
    return thin_cloud(lights, dewed)


def find_dew(lights: Lights) -> Iterator[Event]:
    """Halos that grow over several frames: dew does not come and go like a cloud.

    It begins where halos or light first depart from what they were, long before a frame suffers.
    """
    for spell in _dewed(lights):
        evidence = worst_evidence(spell, FaultName.DEW, badness)
        yield event("dew", spell, say.dew(evidence) if _grows(spell) else evidence)


def _dewed(lights: Lights) -> Iterator[Lights]:
    for stretch in stretches(lights, lambda t: t.has(FaultName.DEW), least=DEW_FRAMES):
        yield [*_before(lights, stretch), *stretch] if _grows(stretch) else stretch


def _before(lights: Lights, stretch: Lights) -> Lights:
    # Few nights have dew, and its fits need numpy, which takes longer to load than a night to tell.
    from runlog.core.story.dew_start import traced_back

    return traced_back(lights, stretch)


def find_obstructions(lights: Lights) -> Iterator[Event]:
    """Find the hours in which something stood in front, and on which side of the frame."""
    for stretch in stretches(lights, lambda t: t.has(FaultName.OBSTRUCTED)):
        evidence = worst_evidence(stretch, FaultName.OBSTRUCTED, _lost_stars)
        airmasses = [x for t in stretch if (x := t.frame.context.airmass) is not None]
        words = say.obstruction(_sides(stretch), airmasses, evidence)
        yield event("obstruction", stretch, words)


FINDERS: tuple[Callable[[Lights], Iterator[Event]], ...] = (
    find_clouds,
    find_thin_cloud,
    find_dew,
    find_obstructions,
)


def badness(frame: Frame) -> float | None:
    """Say how much light a frame lost, or how large its halos are where that is not known."""
    light = frame.placement.transparency
    return profile(frame) if light is None else 1 - light


def _grows(stretch: Lights) -> bool:
    """Tell halos from light that is lost at one level."""
    return sum(t.has(FaultName.DEW) and not is_level(t) for t in stretch) >= DEW_FRAMES


def is_level(light: GradedLight) -> bool:
    """Tell whether a frame lost its light at one level with many others."""
    return any(LEVEL_WORDS in fault.evidence for fault in light.verdict.faults)


def _lost_stars(frame: Frame) -> float | None:
    return None if frame.measurement.stars is None else -float(frame.measurement.stars)


def _sides(stretch: Lights) -> Sequence[str]:
    """Name the sides of the frame that were covered, the most often covered first."""
    told = (f.evidence for t in stretch for f in t.verdict.faults if f.name is FaultName.OBSTRUCTED)
    named = Counter(side for text in told for side in SIDES if text.startswith(side))
    return [side for side, _ in named.most_common()]


def _least_light(stretch: Lights) -> str:
    """Say how little light came through at the worst, from matched stars where possible."""
    known = [
        t.frame.placement.transparency
        for t in stretch
        if t.frame.placement.transparency is not None
    ]
    if not known:
        return worst_evidence(stretch, FaultName.CLOUD)
    return say.light_left(min(known))
