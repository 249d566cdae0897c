"""Dark in which nothing was exposed, by what is known of why; with what was, all of the dark."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from runlog.core.story.model import Lights, Night
from runlog.core.story.schedule import ENOUGH_FOR_PACE, Idle, idle_events, idles

NOT_UP = "no target up"
KINDS = {"late-start": "late start", "stopped": "early stop", "pause": "pauses"}
BETWEEN = "between frames"  # reading out, dithers, slews, plate solves
OTHERS = "focus and other frames"
ENDS = "before the first frame and after the last"  # too little to be a late start, or too few
ALWAYS = (BETWEEN, OTHERS)  # there is some in every night
OPEN = (BETWEEN, ENDS)  # of a run of few frames, nobody's: they tell no pace

Span = tuple[datetime, datetime]


@dataclass(frozen=True, slots=True)
class DarkUse:
    """A run's dark in seconds: what was exposed in it, and the rest by cause, exactly."""

    dark_s: float = 0.0
    exposed_s: float = 0.0
    unused_s: dict[str, float] | None = None
    of_few_s: dict[str, float] | None = None  # part of unused_s: of runs too short for a pace

    @property
    def causes(self) -> dict[str, float]:
        """What was not exposed, by cause."""
        return self.unused_s or {}

    @property
    def of_few(self) -> dict[str, float]:
        """What of it nobody can be named for, because its run has too few frames."""
        return self.of_few_s or {}


def dark_use(lights: Lights, night: Night) -> DarkUse:
    """Share out a run's dark.

    Where it is not known when it was dark, it is the time from the first frame to the last. Frames
    that tell no time or no length leave gaps of unknown size: then only named breaks are told.

    Parameters
    ----------
    lights : sequence of GradedLight
        Dated light frames of one run, in order of time.
    night : Night
        When it was dark, where that is known.
    """
    if not lights:
        return DarkUse()
    named = _named(lights, night)
    if night.undated or any(t.frame.header.exposure_s is None for t in lights):
        found = summed_causes((cause, s) for cause, _, s in named)
        return DarkUse(sum(found.values()), 0.0, found)
    window = night.dark if night.dark is not None and not night.doubt else _reach(lights)
    exposed = _within(_union((t.start, t.end) for t in lights), window)
    others, reach = _union((o.start, o.end) for o in night.others), _reach(lights)
    found = summed_causes(
        part for gap in _without(exposed, window) for part in _of_gap(gap, named, others, reach)
    )
    few = {cause: s for cause, s in found.items() if cause in OPEN and _is_few(lights)}
    return DarkUse(_seconds([window]), _seconds(exposed), found, few)


def _is_few(lights: Lights) -> bool:
    return len(lights) < ENOUGH_FOR_PACE


def _named(lights: Lights, night: Night) -> list[tuple[str, Span, float]]:
    """List the breaks that the story of the night names: cause, span, dark unused in it."""
    found = [(_cause(idle), (idle.start, idle.end), idle.unused_s) for idle in idles(lights, night)]
    return found + [
        (KINDS["pause"], (event.start, event.end), event.cost_s)
        for event in idle_events(lights, night)
        if event.kind == "pause"
    ]


def _of_gap(
    gap: Span, named: Sequence[tuple[str, Span, float]], others: Sequence[Span], reach: Span
) -> Iterator[tuple[str, float]]:
    """Share out dark between exposures: its own name, other frames in it, and what is left."""
    gap_s = _seconds([gap])
    for cause, span, unused_s in named:
        if span[0] <= gap[0] and gap[1] <= span[1]:
            yield cause, min(unused_s, gap_s)
            yield OTHERS, gap_s - min(unused_s, gap_s)
            return
    others_s = _seconds(_within(others, gap))
    first, last = reach
    yield OTHERS, others_s
    yield ENDS if gap[1] <= first or gap[0] >= last else BETWEEN, gap_s - others_s


def _reach(lights: Lights) -> Span:
    return min(t.start for t in lights), max(t.end for t in lights)


def _union(spans: Iterable[Span]) -> list[Span]:
    """Join spans that overlap or touch."""
    found: list[Span] = []
    for start, end in sorted(spans):
        if found and start <= found[-1][1]:
            found[-1] = found[-1][0], max(found[-1][1], end)
        elif end > start:
            found.append((start, end))
    return found


def _within(spans: Sequence[Span], window: Span) -> list[Span]:
    cut = [(max(start, window[0]), min(end, window[1])) for start, end in spans]
    return [(start, end) for start, end in cut if start < end]


def _without(spans: Sequence[Span], window: Span) -> list[Span]:
    """Give what of a window spans leave; they are in order and lie within it."""
    edges = [window[0], *(edge for span in spans for edge in span), window[1]]
    gaps = zip(edges[::2], edges[1::2], strict=True)
    return [(start, end) for start, end in gaps if start < end]


def _seconds(spans: Iterable[Span]) -> float:
    return sum((end - start).total_seconds() for start, end in spans)


def _cause(idle: Idle) -> str:
    if idle.target:
        return NOT_UP
    kind = KINDS[idle.kind]
    if idle.why.startswith("about when the Moon"):
        return f"{kind}, with the Moon"
    return f"{kind}, {idle.why}" if idle.why else kind


def summed_causes(parts: Iterable[tuple[str, float]]) -> dict[str, float]:
    """Add up seconds by cause; none that took none."""
    found: dict[str, float] = {}
    for cause, seconds in parts:
        if seconds > 0:
            found[cause] = found.get(cause, 0.0) + seconds
    return found


def summed(nights: Sequence[DarkUse]) -> DarkUse:
    """Add up several nights' dark, the most costly cause first."""
    causes = summed_causes(part for night in nights for part in night.causes.items())
    return DarkUse(
        sum(night.dark_s for night in nights),
        sum(night.exposed_s for night in nights),
        dict(sorted(causes.items(), key=lambda entry: (-entry[1], entry[0]))),
        summed_causes(part for night in nights for part in night.of_few.items()),
    )
