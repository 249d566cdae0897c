"""The verdict on the sky: cloud, light, seeing, dew and what stood in the way, with their times."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.grading.baseline import light_group
from runlog.core.grading.clear_view import empty_side, turned
from runlog.core.sky.horizon import LIMB_DEG
from runlog.core.story.model import (
    FAIR_BELOW,
    GradedLight,
    Lights,
    Measure,
    Opinion,
    PartVerdict,
    by_share,
    comparable,
    lost_by,
    not_comparable,
    stretches,
    unknown,
    worst_evidence,
)
from runlog.core.story.phrases import sky as say
from runlog.core.story.phrases.common import together
from runlog.core.story.pointing import is_elsewhere
from runlog.core.story.sky_events import is_level, thin_spells
from runlog.core.story.thin_cloud import Spell

SIDE_FRAMES = 5  # that show the same side nearly empty


@dataclass(frozen=True, slots=True)
class Trouble:
    """One kind of trouble: how it is called, how it shows, and what to look at before dark."""

    fault: FaultName
    words: str
    check: str
    worse: Measure | None = None  # where no event of its own says how bad it was

    def in_frame(self, light: GradedLight) -> bool:
        """Tell whether a frame has this trouble."""
        return light.has(self.fault)


class _Halos(Trouble):
    def in_frame(self, light: GradedLight) -> bool:
        """Dew that shows by halos."""
        return light.has(self.fault) and not is_level(light)


class _Level(Trouble):
    def in_frame(self, light: GradedLight) -> bool:
        """Light that is lost at one level, by dew or something in front."""
        return is_level(light)


def _width(frame: Frame) -> float | None:
    return frame.measurement.fwhm_px


def _lost_stars(frame: Frame) -> float | None:
    return None if frame.measurement.stars is None else -float(frame.measurement.stars)


TROUBLES: tuple[Trouble, ...] = (
    Trouble(FaultName.CLOUD, say.CLOUD, say.CLOUD_CHECK),
    _Halos(FaultName.DEW, say.DEW, say.DEW_CHECK),
    _Level(FaultName.DEW, say.LEVEL, say.LEVEL_CHECK),
    Trouble(FaultName.OBSTRUCTED, say.OBSTRUCTION, say.OBSTRUCTION_CHECK, _lost_stars),
    Trouble(FaultName.BRIGHT_SKY, say.BRIGHT_SKY, say.BRIGHT_SKY_CHECK),
    Trouble(FaultName.SOFT, say.POOR_SEEING, say.SEEING_CHECK, _width),
    Trouble(FaultName.FEW_STARS, say.NO_STARS, say.NO_STARS_CHECK, _lost_stars),
)


def sky_verdict(lights: Lights, doubt: str = "") -> PartVerdict:
    """Judge the sky by the share of frames it spoiled; say what, when, and what it cost.

    `doubt` says why nothing is known of the Moon.
    """
    counted = [t for t in lights if t.frame.measurement.stars is not None]
    if counted and all(_shows_nothing(t) for t in counted):
        return unknown(say.next_to_no_stars(len(counted)))
    measured = comparable(counted)
    if not measured:
        return not_comparable(lights)
    seen = [trouble for trouble in TROUBLES if any(map(trouble.in_frame, measured))]
    blind = [t for t in measured if _is_blind(t)]
    if not seen and len(blind) >= FAIR_BELOW * len(measured):
        return unknown(say.matches_nothing(len(blind), len(measured)))
    words = say.spoiled([_told(trouble, measured) for trouble in seen])
    told = [t for t in measured if not _is_blind(t)]
    found = by_share(told, lambda t: any(x.in_frame(t) for x in seen), words)
    more = say.also_not_compared(len(blind), len(measured)) if blind else ""
    opinion, text = _as_far_as_known(found, told, list(thin_spells(lights)))
    text = "".join([text, more, *_alone(told), *_moonlight(measured, doubt)])
    return PartVerdict(opinion, text, together(trouble.check for trouble in seen))


def _as_far_as_known(
    found: PartVerdict, lights: Lights, thin: Sequence[Spell]
) -> tuple[Opinion, str]:
    """Add thin cloud, and what nothing shows: a haze of all night, a roof that is always there."""
    text = found.evidence + "".join(map(_thin_words, thin))
    opinion = Opinion.FAIR if thin and found.verdict is Opinion.GOOD else found.verdict
    why = together([*_no_clear_night(lights), *_always_empty(lights)])
    if not why:
        return opinion, text
    if opinion is Opinion.GOOD:
        return Opinion.UNKNOWN, say.unknown_but(why, text)
    return opinion, text + say.also_unknown(why)


def _thin_words(spell: Spell) -> str:
    first, last = spell.lights[0].start, spell.lights[-1].end
    return say.thin_spell(first, last, len(spell.lights), spell.least, spell.most)


def _no_clear_night(lights: Lights) -> Iterator[str]:
    """Say why the haze of a whole night cannot be known: half of the frames have only it."""
    followed = [t for t in lights if t.frame.placement.transparency is not None]
    new = [t for t in followed if t.frame.placement.field_runs == 1]
    if new and len(new) >= len(followed) / 2:
        yield say.NO_CLEAR_NIGHT if len(new) == len(followed) else say.no_clear_night(len(new))


def _always_empty(lights: Lights) -> Iterator[str]:
    """Say which side of the frame has few stars all through the night: no frame tells why."""
    groups: dict[tuple[object, ...], list[Frame]] = {}
    for light in lights:
        if not light.has(FaultName.OBSTRUCTED):
            key = (turned(light.frame), *light_group(light.frame))
            groups.setdefault(key, []).append(light.frame)
    found = (empty_side(members) for members in groups.values() if len(members) >= SIDE_FRAMES)
    for view in sorted({v.side: v for v in found if v is not None}.values(), key=lambda v: v.left):
        yield say.always_empty(view.side, view.left)
        return


def _shows_nothing(light: GradedLight) -> bool:
    """Tell whether a frame has next to no stars, and nothing else says what the sky was like."""
    faults = [f.name for f in light.verdict.faults if f.grade is not Grade.KEEP]
    return faults == [FaultName.FEW_STARS]


def _is_blind(light: GradedLight) -> bool:
    """Tell whether a frame's light was compared with nothing, and no trouble was found in it."""
    if light.frame.placement.matched is not False or light.frame.placement.transparency is not None:
        return False
    return not any(trouble.in_frame(light) for trouble in TROUBLES)


def _alone(lights: Lights) -> Iterator[str]:
    """Say whose light is compared within this run alone, though its name has other nights."""
    alone = [t for t in lights if is_elsewhere(t) and t.frame.placement.field_runs == 1]
    if alone:
        yield say.this_night_alone(len(alone))


def _told(trouble: Trouble, lights: Lights) -> str:
    """Say when one kind of trouble was there, on how many frames, what it cost, how bad it was."""
    spells = list(stretches(lights, trouble.in_frame))
    hit = [light for light in lights if trouble.in_frame(light)]
    start, end = spells[0][0].start, spells[-1][-1].end
    words = say.trouble(
        trouble.words, len(spells), start, end, len(hit), lost_by(hit, trouble.fault)
    )
    if trouble.worse is None:
        return words
    return words + say.at_worst(worst_evidence(hit, trouble.fault, trouble.worse))


def _moonlight(lights: Lights, doubt: str) -> Iterator[str]:
    if doubt:
        yield say.moon_in_doubt(doubt)
        return
    heights = [
        t.frame.context.moon_alt_deg for t in lights if t.frame.context.moon_alt_deg is not None
    ]
    if heights and len(heights) == len(lights) and min(heights) > LIMB_DEG:
        yield say.moon_all_night(max(heights))
