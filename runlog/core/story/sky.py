"""The verdict on the sky: cloud, light, seeing, dew and what stood in the way, with their times."""

from collections.abc import Iterator
from dataclasses import dataclass

from runlog.core.columns import clock, plural
from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.grading.faults.few_stars import NO_STARS_FROM
from runlog.core.grading.faults.halos import HALO_WORDS
from runlog.core.sky.horizon import LIMB_DEG
from runlog.core.story.model import (
    FAIR_BELOW,
    Lights,
    Measure,
    PartVerdict,
    Told,
    by_share,
    comparable,
    lost_words,
    not_comparable,
    stretches,
    unknown,
    worst_evidence,
)
from runlog.core.story.pointing import is_elsewhere


@dataclass(frozen=True, slots=True)
class Trouble:
    """One kind of trouble: how it is called, how it shows, and what to look at before dark."""

    fault: FaultName
    words: str
    check: str
    worse: Measure | None = None  # where no event of its own says how bad it was

    def in_frame(self, light: Told) -> bool:
        """Tell whether a frame has this trouble."""
        return light.has(self.fault)


class _Dew(Trouble):
    def in_frame(self, light: Told) -> bool:
        """Halos are filed under few stars."""
        return has_halos(light)


class _Dark(Trouble):
    def in_frame(self, light: Told) -> bool:
        """Few stars without halos."""
        return light.has(self.fault) and not has_halos(light)


def _width(frame: Frame) -> float | None:
    return frame.measurement.fwhm_px


def _lost_stars(frame: Frame) -> float | None:
    return None if frame.measurement.stars is None else -float(frame.measurement.stars)


TROUBLES: tuple[Trouble, ...] = (
    Trouble(FaultName.CLOUD, "cloud", "the forecast"),
    _Dew(FaultName.FEW_STARS, "dew or fog", "the dew heater and the dew shield"),
    Trouble(
        FaultName.OBSTRUCTED,
        "an obstruction",
        "what stands in the way there: a tree, a roof, the dome's slit",
        _lost_stars,
    ),
    Trouble(
        FaultName.BRIGHT_SKY, "bright sky", "the Moon's hours, twilight and lamps against the plan"
    ),
    Trouble(
        FaultName.SOFT,
        "poor seeing",
        "the seeing forecast, and whether the telescope had cooled down",
        _width,
    ),
    _Dark(
        FaultName.FEW_STARS,
        "next to no stars",
        "the cap, the cover, the dome and the focus",
        _lost_stars,
    ),
)  # fmt: skip


def has_halos(light: Told) -> bool:
    """Tell whether the stars of a frame have halos: dew or fog."""
    return any(HALO_WORDS in fault.evidence for fault in light.verdict.faults)


def sky_verdict(lights: Lights, doubt: str = "") -> PartVerdict:
    """Judge the sky by the share of frames it spoiled; say what, when, and what it cost.

    `doubt` says why nothing is known of the Moon.
    """
    counted = [t for t in lights if t.frame.measurement.stars is not None]
    if counted and all(_shows_nothing(t) for t in counted):
        return unknown(f"{_nothing_words(counted)}: {NO_STARS_FROM}, unknown which")
    measured = comparable(counted)
    if not measured:
        return not_comparable(lights)
    seen = [trouble for trouble in TROUBLES if any(map(trouble.in_frame, measured))]
    blind = [t for t in measured if _is_blind(t)]
    if not seen and len(blind) >= FAIR_BELOW * len(measured):
        return unknown(f"{_blind_words(blind, measured)}: their stars match no other frame's")
    if not seen:
        words = "under cloud, bright sky or poor seeing"
    else:
        words = "spoiled: " + "; ".join(_told(trouble, measured) for trouble in seen)
    told = [t for t in measured if not _is_blind(t)]
    found = by_share(told, lambda t: any(x.in_frame(t) for x in seen), words)
    check = "; ".join(trouble.check for trouble in seen)
    more = f"; {_blind_words(blind, measured)}" if blind else ""
    apart = "".join(_alone(told))
    text = found.evidence + more + apart + "".join(_moonlight(measured, doubt))
    return PartVerdict(found.verdict, text, check)


def _shows_nothing(light: Told) -> bool:
    """Tell whether a frame has next to no stars, and nothing else says what the sky was like."""
    faults = [f.name for f in light.verdict.faults if f.grade is not Grade.KEEP]
    return faults == [FaultName.FEW_STARS] and not has_halos(light)


def _nothing_words(lights: Lights) -> str:
    if len(lights) == 1:
        return "the only frame shows next to no stars"
    every = "both" if len(lights) == 2 else f"all {len(lights)}"
    return f"{every} frames show next to no stars"


def _is_blind(light: Told) -> bool:
    """Tell whether a frame's light was compared with nothing, and no trouble was found in it."""
    if light.frame.placement.matched is not False or light.frame.placement.transparency is not None:
        return False
    return not any(trouble.in_frame(light) for trouble in TROUBLES)


def _blind_words(blind: Lights, lights: Lights) -> str:
    return f"the light of {len(blind)} of {plural(len(lights), 'frame')} could not be compared"


def _alone(lights: Lights) -> Iterator[str]:
    """Say whose light is compared within this run alone, though its name has other nights."""
    alone = [t for t in lights if is_elsewhere(t) and t.frame.placement.field_runs == 1]
    if alone:
        yield (
            f"; the light of {plural(len(alone), 'frame')} is relative to this night: no other "
            "shows their field"
        )


def _told(trouble: Trouble, lights: Lights) -> str:
    """Say when one kind of trouble was there, on how many frames, what it cost, how bad it was."""
    spells = list(stretches(lights, trouble.in_frame))
    hit = [light for light in lights if trouble.in_frame(light)]
    when = f"{clock(spells[0][0].start)}–{clock(spells[-1][-1].end)} UTC"
    if len(spells) > 1:
        when = f"in {len(spells)} spells {when}"
    words = f"{trouble.words} {when} ({plural(len(hit), 'frame')}{lost_words(hit)})"
    if trouble.worse is None:
        return words
    return f"{words}, at worst {worst_evidence(hit, trouble.fault, trouble.worse)}"


def _moonlight(lights: Lights, doubt: str) -> Iterator[str]:
    """Say where moonlight hides: a run with no moonless frame cannot show a darker sky."""
    if doubt:
        yield f"; whether the Moon was up is {doubt}"
        return
    heights = [
        t.frame.context.moon_alt_deg for t in lights if t.frame.context.moon_alt_deg is not None
    ]
    if heights and len(heights) == len(lights) and min(heights) > LIMB_DEG:
        yield (
            f"; the Moon was up all the time, {max(heights):.0f} degrees at most: this run cannot "
            "show how dark the sky is without it"
        )
