"""What charts show, as values: axes, panels, spans, bars, curves; who draws only places them."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import ceil, floor, log10
from statistics import median
from typing import TYPE_CHECKING, Protocol

from runlog.core.frame import Frame, Grade
from runlog.core.times import IN_UTC, Zone

if TYPE_CHECKING:
    from runlog.core.story.model import Event

EIGHTHS = "▁▂▃▄▅▆▇█"  # heights of one cell, the lowest first

# --- axes -----------------------------------------------------------------------------------

ROUND = (1, 2, 5, 10)
STEPS = 6  # about so many from bottom to top, so that rounding wastes little room
WILD = 4.0  # times the middle value: what lies beyond is drawn at the edge
SLACK = 1e-6  # of a step: 0.3 / 0.1 is a little less than 3


@dataclass(frozen=True, slots=True)
class Axis:
    """From `first` to `last` whole steps."""

    step: float
    first: int
    last: int
    cut: bool = False  # values above the top are drawn at it

    def level(self, value: float) -> float:
        """Place a value between 0, the bottom, and 1, the top."""
        low, high = self.first * self.step, self.last * self.step
        return (min(max(value, low), high) - low) / (high - low)

    def ticks(self) -> Iterator[tuple[float, str]]:
        """List (value, words) from bottom to top; no two are written alike."""
        digits = max(0, -floor(log10(self.step) + SLACK))
        for n in range(self.first, self.last + 1):
            words = f"{n * self.step:.{digits}f}"
            yield n * self.step, f"≥{words}" if self.cut and n == self.last else words


def axis_of(values: Sequence[float], may_cut: bool = True, least: float = 0.0) -> Axis:
    """Span the values, and `least` in all; a few wild ones are cut so that the rest show."""
    middle, top = median(values), max(values)
    cut = may_cut and middle > 0 and top > middle * WILD
    low, high = min(values), middle * WILD if cut else top
    wider = max(least - (high - low), 0.0) / 2
    low, high = low - wider, high + wider
    step = _round_up((high - low) / STEPS or abs(low) / 100 or 1.0)
    first, last = floor(low / step + SLACK), ceil(high / step - SLACK)
    if first == last:
        first, last = first - 1, last + 1
    return Axis(step, max(first, 0) if min(values) >= 0 else first, last, cut)


def _round_up(number: float) -> float:
    size = 10.0 ** floor(log10(number))
    return next(size * factor for factor in ROUND if size * factor >= number * (1 - SLACK))


# --- one thing over another ------------------------------------------------------------------

Place = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Plot:
    """Values over something else: dots, lines through them, and places marked on the way."""

    name: str  # what is drawn, over what
    across: Place  # from, to
    ticks: tuple[tuple[float, str], ...]  # of the axis across
    up: Axis
    dots: tuple[Place, ...] = ()
    lines: tuple[tuple[Place, ...], ...] = ()
    marks: tuple[tuple[float, str], ...] = ()  # upright lines, each with a word
    beneath: tuple[float, ...] = ()  # places below the axis, as of frames

    def share(self, at: float) -> float:
        """Place a value across: 0 is the left end, 1 the right."""
        return (at - self.across[0]) / (self.across[1] - self.across[0])


def ticks_between(low: float, high: float) -> tuple[tuple[float, str], ...]:
    """Write round values that lie between two ends."""
    found = axis_of([low, high], may_cut=False).ticks()
    return tuple((value, words) for value, words in found if low <= value <= high)


# --- the time line of a night ---------------------------------------------------------------

STEADY = 0.2  # of the usual: light and sky of a clear night stay within it
HOUR_STEPS = (1, 2, 3, 4, 6, 12)
LEAST_S = 60.0  # that a time line spans
NEVER = datetime.min.replace(tzinfo=UTC)  # where a night without a dated frame starts
Values = tuple[float | None, ...]  # one a frame


@dataclass(frozen=True, slots=True)
class Measure:
    """One measure over the night: its name, how to get it, how to lay its axis."""

    name: str
    value: Callable[[Frame], float | None]
    relative: bool = False  # to what is usual for the frame's target, filter and length
    beside: Callable[[Frame], float | None] | None = None  # on an axis of its own, at the right
    cut: bool = True  # a few wild values may be drawn at the edge
    least: float = 0.0  # span of the axis: less than this is no news, and must not look like any


def _flux_rate(frame: Frame) -> float | None:
    if frame.measurement.ranked_flux_adu is None or not frame.header.exposure_s:
        return None
    return frame.measurement.ranked_flux_adu / frame.header.exposure_s


TRANSPARENCY = Measure("transp.", lambda frame: frame.placement.transparency, least=STEADY)
# Where there is no reference to compare with.
FLUX = Measure("flux ×", _flux_rate, relative=True, least=STEADY)
FOCUSER = Measure(
    "focuser", lambda frame: frame.header.focus_pos, beside=lambda frame: frame.header.focus_c
)
FOCUS_C = Measure("focus °C", lambda frame: frame.header.focus_c)
MEASURES = (
    Measure("FWHM px", lambda frame: frame.measurement.fwhm_px),
    Measure("ecc.", lambda frame: frame.measurement.eccentricity, cut=False),
    Measure("sky ×", lambda frame: frame.measurement.background_adu, relative=True, least=STEADY),
    TRANSPARENCY,
    FLUX,
    FOCUSER,
    FOCUS_C,
)


@dataclass(frozen=True, slots=True)
class Series:
    """Values over the night, and the axis they stand on."""

    values: Values
    axis: Axis


@dataclass(frozen=True, slots=True)
class Panel(Series):
    """One measure, and what is drawn over it in degrees C, where that is known."""

    name: str
    beside: Series | None = None


@dataclass(frozen=True, slots=True)
class Span:
    """An event on the time line."""

    label: str
    start: datetime
    end: datetime


@dataclass(frozen=True, slots=True)
class TimeLine:
    """Measures, grades and events of a night; moments, grades and values are one a frame."""

    moments: tuple[datetime, ...] = ()
    grades: tuple[Grade, ...] = ()
    start: datetime = NEVER
    seconds: float = LEAST_S  # from the first start to the end of the last exposure
    panels: tuple[Panel, ...] = ()
    spans: tuple[Span, ...] = ()

    def share(self, moment: datetime) -> float:
        """Place a moment: 0 is the first start, 1 the end."""
        return (moment - self.start).total_seconds() / self.seconds

    def hours(self, most: float, zone: Zone = IN_UTC) -> Iterator[datetime]:
        """Mark whole hours of a zone's clock, fewer than `most` of them where that can be."""
        length_h = self.seconds / 3600
        step = next((s for s in HOUR_STEPS if length_h / s < most), HOUR_STEPS[-1])
        local = zone.local(self.start)
        past = timedelta(minutes=local.minute, seconds=local.second, microseconds=local.microsecond)
        moment = self.start - past + timedelta(hours=1)
        while self.share(moment) < 1:
            if zone.local(moment).hour % step == 0:
                yield moment
            moment += timedelta(hours=1)


def dated(frames: Iterable[Frame]) -> list[Frame]:
    """Keep the frames that have a place on a time line."""
    return [frame for frame in frames if frame.header.taken_at_utc is not None]


def time_line(frames: Sequence[Frame], events: "Iterable[Event]" = ()) -> TimeLine:
    """Lay out a night: each measure there is, once, and temperature with the focuser's position."""
    lights = dated(frames)
    if not lights:
        return TimeLine()
    drawn = {measure.name: _values(measure, lights) for measure in MEASURES}
    known = {name: sum(v is not None for v in values) for name, values in drawn.items()}
    less = TRANSPARENCY if known[TRANSPARENCY.name] < known[FLUX.name] else FLUX
    left_out = {less.name} | ({FOCUS_C.name} if known[FOCUSER.name] else set())
    moments = tuple(f.header.taken_at_utc for f in lights if f.header.taken_at_utc)
    end = max(moments) + timedelta(seconds=lights[-1].header.exposure_s or 0.0)
    return TimeLine(
        moments,
        tuple(f.judgement.grade for f in lights),
        min(moments),
        max((end - min(moments)).total_seconds(), LEAST_S),
        tuple(
            _panel(measure, drawn[measure.name], lights)
            for measure in MEASURES
            if known[measure.name] and measure.name not in left_out
        ),
        tuple(
            Span(e.kind.replace("-", " "), e.start, e.end)
            for e in events
            # What was before the first frame and after the last lies off the chart.
            if e.frames or (e.start < end and e.end > min(moments))
        ),
    )


def _panel(measure: Measure, values: Values, lights: Sequence[Frame]) -> Panel:
    second = tuple(map(measure.beside, lights)) if measure.beside else ()
    axis = axis_of(_known(values), measure.cut, measure.least)
    beside = Series(second, axis_of(_known(second))) if _known(second) else None
    return Panel(values, axis, measure.name, beside)


def _known(values: Values) -> list[float]:
    return [v for v in values if v is not None]


def _values(measure: Measure, lights: Sequence[Frame]) -> Values:
    values = tuple(map(measure.value, lights))
    if not measure.relative:
        return values
    groups: dict[tuple[object, ...], list[float]] = {}
    for frame, value in zip(lights, values, strict=True):
        if value is not None:
            groups.setdefault(_group(frame), []).append(value)
    usual = {key: median(found) for key, found in groups.items()}
    return tuple(
        value / usual[_group(frame)] if value is not None and usual[_group(frame)] else None
        for frame, value in zip(lights, values, strict=True)
    )


def _group(frame: Frame) -> tuple[object, ...]:
    return frame.context.target, frame.context.filter, frame.header.exposure_s


# --- bars of hours --------------------------------------------------------------------------

TO_GO = "to go"
OF_OTHERS = "other rigs"


@dataclass(frozen=True, slots=True)
class Bar:
    """Lengths of time one after another, each a grade's, `OF_OTHERS` or `TO_GO`, of a whole."""

    parts: tuple[tuple[str, float], ...]  # seconds
    whole_s: float


def night_bar(kept_s: float, doubtful_s: float, rejected_s: float, logged_s: float) -> Bar:
    """Share out what a night took."""
    parts = (Grade.KEEP, kept_s), (Grade.DOUBTFUL, doubtful_s), (Grade.REJECT, rejected_s)
    return Bar(parts, logged_s)


def goal_bar(kept_s: float, doubtful_s: float, goal_s: float, others_s: float = 0.0) -> Bar:
    """Set hours against a goal; the whole is the goal, or what there is when it is more.

    `others_s` is what counts besides where the hours are of a part of all rigs.
    """
    there_s = kept_s + doubtful_s + others_s
    left_s = max(goal_s - there_s, 0.0)
    others = ((OF_OTHERS, others_s),) if others_s else ()
    parts = (Grade.KEEP, kept_s), (Grade.DOUBTFUL, doubtful_s), *others, (TO_GO, left_s)
    return Bar(parts, max(goal_s, there_s, 1.0))


# --- a star's curves ------------------------------------------------------------------------

RISES = ((1.0, "1"), (0.5, "½"), (0.0, "0"))  # ticks of shares


class RadialProfile(Protocol):
    """A star's light by distance from its middle, as `measure.profile` gives it."""

    @property
    def ring_px(self) -> Iterable[float]:
        """Middle of each ring."""

    @property
    def light(self) -> Iterable[float]:
        """Mean light of each ring over the brightest."""

    @property
    def circle_px(self) -> Iterable[float]:
        """Radius of each circle."""

    @property
    def share(self) -> Iterable[float]:
        """Light of each circle over that of the largest."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Shares by distance."""

    at_px: tuple[float, ...]
    share: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class StarChart:
    """A curve of a frame's star and the best frame's, on one axis of distance from 0 on."""

    name: str
    own: Curve | None
    best: Curve | None
    reach_px: float

    @property
    def distances(self) -> list[tuple[float, str]]:
        """List the ticks within reach."""
        ticks = axis_of([0.0, self.reach_px], may_cut=False).ticks()
        return [(value, words) for value, words in ticks if value <= self.reach_px]


def star_charts(own: RadialProfile | None, best: RadialProfile | None) -> tuple[StarChart, ...]:
    """Lay out the radial profile and the curve of growth of one star or two."""
    reach_px = max(max(of.circle_px) for of in (own, best) if of)
    return tuple(
        StarChart(name, curve(own) if own else None, curve(best) if best else None, reach_px)
        for name, curve in (
            ("light of rings, by px from the middle", _rings),
            ("share of its light in a circle, by px", _circles),
        )
    )


def _rings(of: RadialProfile) -> Curve:
    return Curve(tuple(of.ring_px), tuple(of.light))


def _circles(of: RadialProfile) -> Curve:
    return Curve((0.0, *of.circle_px), (0.0, *of.share))
