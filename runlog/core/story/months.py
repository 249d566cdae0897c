"""What months of a rig add to a night's verdicts: told where it matters, else nothing at all."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from statistics import median
from typing import TYPE_CHECKING

from runlog.core.frame import Frame
from runlog.core.robust import MAD_TO_SIGMA
from runlog.core.story.against_history import Fact
from runlog.core.story.model import Opinion, Part, PartVerdict
from runlog.core.story.phrases import focus as say_focus
from runlog.core.story.phrases import months as say
from runlog.core.trends.points import Point, Series
from runlog.core.trends.screen import may_move

if TYPE_CHECKING:
    from runlog.core.alignment.night import Alignment
    from runlog.core.focus.advice import Advice
    from runlog.core.trends.series import Trend

# Common practice, no source: what a person would act upon.
RECENT_DAYS = 90  # a step longer ago is what the rig is like
LEAST_SHARE = 0.03  # of the stars' width
LEAST_MAG = 0.2
SIGMAS = 3.0  # of the usual scatter from night to night
FEWEST_MOONLESS = 5  # earlier nights that make a usual one
OF_FIELD = {"tilt": "tilt", "curvature": "the corners' softness"}
KINDS_TOLD = (*OF_FIELD, "sky")


@dataclass(frozen=True, slots=True)
class _Here:
    """A series that the night itself has a point in."""

    series: Series
    earlier: Sequence["Point"]
    value: float

    @property
    def rank(self) -> tuple[int, str, str]:
        """Of several filters and settings one speaks: that of most nights, then by name."""
        return -len(self.series.points), self.series.filter, self.series.setting


def months_facts(
    series: Sequence[Series], judged: Callable[[], Sequence["Trend"]], night: str
) -> Iterator[Fact]:
    """Say what a rig's series of `KINDS_TOLD`, up to and with a night, make of that night.

    `judged` judges all series of the rig; it is asked only where one that would be told may move.
    """
    told = sorted(filter(None, (_here(s, night) for s in series)), key=lambda h: h.rank)
    of_field = [here for here in told if here.series.kind.name in OF_FIELD]
    if any(may_move(here.series) for here in of_field):
        trends = {_key(trend.series): trend for trend in judged()}
        for kind in OF_FIELD:
            yield from _first(
                told, kind, lambda here: _of_field(here, trends[_key(here.series)], night)
            )
    yield from _first(told, "sky", _sky)


def _key(series: Series) -> tuple[str, str, str]:
    return series.kind.name, series.filter, series.setting


def _here(series: Series, night: str) -> _Here | None:
    value = next((p.value for p in series.points if p.night == night), None)
    if value is None:
        return None
    return _Here(series, [p for p in series.points if p.night < night], value)


def _first(
    told: Sequence[_Here], kind: str, say_it: Callable[[_Here], Fact | None]
) -> Iterator[Fact]:
    facts = (say_it(here) for here in told if here.series.kind.name == kind)
    fact = next((fact for fact in facts if fact is not None), None)
    if fact is not None:
        yield fact


def _of_field(here: _Here, trend: "Trend", night: str) -> Fact | None:
    """Tell a tilt or softness that grew of late and is there tonight; that it shrank is no news."""
    what = OF_FIELD[here.series.kind.name]
    series, change, slope = here.series, trend.change, trend.slope
    of = say.of_series(series.filter, len(series.points))
    if trend.verdict.value == "changed" and change is not None:
        days = (date.fromisoformat(night) - date.fromisoformat(change.night)).days
        before = median(p.value for p in here.earlier if p.night < change.night)
        there = here.value > before + change.size / 2
        if change.size < LEAST_SHARE or days > RECENT_DAYS or not there:
            return None
        words = say.grew(what, change.size, change.night, of, trend.after)
        return Fact(Part.OPTICS, words, say.look_at(what, change.night))
    if trend.verdict.value == "worse" and slope is not None:
        there = here.value > median(p.value for p in series.points)
        if slope.middle < LEAST_SHARE or not there:
            return None
        return Fact(Part.OPTICS, say.grows(what, slope.middle, of), say.look_at(what, None))
    return None


def _sky(here: _Here) -> Fact | None:
    """Tell a moonless sky that stands out of earlier ones, darker or brighter."""
    if len(here.earlier) < FEWEST_MOONLESS:
        return None
    values = [p.value for p in here.earlier]
    usual = median(values)
    scatter = MAD_TO_SIGMA * median(abs(v - usual) for v in values)
    darker = here.value - usual
    if abs(darker) < max(LEAST_MAG, SIGMAS * scatter):
        return None
    return Fact(Part.SKY, say.sky(darker, here.series.filter, len(values)))


# --- axis -------------------------------------------------------------------------------------


def axis_facts(told: "Alignment") -> Iterator[Fact]:
    """Tell a polar axis that is surely worth a screwdriver."""
    axis = told.axis
    if told.verdict != "worth it" or axis is None or told.trail_px is None:
        return
    half = axis.half_along(axis.up, axis.east)
    words = say.axis(axis.size, half, told.trail_px, told.exposure_s or 0.0)
    yield Fact(Part.TRACKING, words, say.AXIS_CHECK)


# --- focus ------------------------------------------------------------------------------------


def lost_focus(verdicts: Mapping[Part, PartVerdict]) -> bool:
    """Tell whether frames of a night were out of focus, so that advice is of use."""
    return verdicts[Part.FOCUS].verdict in (Opinion.POOR, Opinion.FAIR)


def with_advice(
    verdicts: Mapping[Part, PartVerdict], advice: "Advice", temperatures_c: Sequence[float]
) -> dict[Part, PartVerdict]:
    """Say when to focus again, if a night lost its focus while that had to be expected."""
    told = dict(verdicts)
    have = told[Part.FOCUS]
    span_c = max(temperatures_c) - min(temperatures_c) if temperatures_c else 0.0
    if advice.each_c is None or advice.low is None or advice.high is None or span_c < advice.each_c:
        return told
    check = say.refocus(advice.each_c, advice.low, advice.high)
    known = have.check or say_focus.FOCUS_CHECK
    if say_focus.FOCUS_CHECK not in known:
        return told  # what is to be checked is an offset between filters
    told[Part.FOCUS] = replace(
        have,
        evidence=f"{have.evidence}; {say.went(span_c, advice.each_c)}",
        check=known.replace(say_focus.FOCUS_CHECK, check),
    )
    return told


def temperatures(lights: Iterable[Frame], source: str | None) -> list[float]:
    """List a night's temperatures by the thermometer that sweeps go by."""
    headers = (frame.header for frame in lights)
    found = (h.focus_c if source == "focuser" else h.ambient_c for h in headers)
    return [c for c in found if c is not None]
