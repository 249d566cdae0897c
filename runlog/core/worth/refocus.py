"""What focusing more often would have saved, by a rig's own sweeps and a night's own frames.

Sweeps tell after how many degrees the focus leaves the useful zone. A frame that was lost to focus
further than that from the temperature of the last focusing would have been saved by a rule that
focuses again so often; one that was lost nearer to it was lost otherwise. What the rule would have
taken for focusing is taken off.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from math import floor
from statistics import median

from runlog.core.columns import hours, plural
from runlog.core.frame import Frame, Kind

GAP = timedelta(minutes=5)  # a longer break ends a sweep, as where sweeps are judged
NO_TEMPERATURE = "the frames out of focus tell no temperature"
NO_FOCUSING = "nothing tells at which temperature the focus was set before these frames"


@dataclass(frozen=True, slots=True)
class Rule:
    """After how many degrees to focus again, by one thermometer; or why that is unknown."""

    each_c: float | None = None
    low_c: float | None = None
    high_c: float | None = None
    source: str | None = None  # "focuser" or "air"
    reason: str | None = None


@dataclass(frozen=True, slots=True)
class Focusing:
    """When the focus was set, and at which temperature."""

    at: datetime
    temperature_c: float | None
    took_s: float | None  # of a sweep whose frames are stored


@dataclass(frozen=True, slots=True)
class Refocused:
    """What the rule would have done to one night."""

    saved_s: float = 0.0  # of what was lost
    unknown_s: float = 0.0
    runs: int = 0  # of the focuser, more than there were
    took_s: tuple[float, ...] = ()  # what the night's own took
    why_unknown: str | None = None


def refocused(frames: Sequence[Frame], lost_s: Mapping[str, float], rule: Rule) -> Refocused:
    """Follow a run's frames by the rule; `lost_s` is what frames lost to focus, by key."""
    lights = sorted((f for f in frames if f.is_light and _at(f)), key=lambda f: (_at(f), f.key))
    moments = sorted(_focusings(frames, lights, rule.source), key=lambda one: one.at)
    saved_s, unknown_s, runs, why = 0.0, 0.0, 0, None
    done: dict[datetime, int] = {}  # by focusing: how often the rule would have come after it
    for light in lights:
        last = next((m for m in reversed(moments) if m.at <= _at(light)), None)
        own, lost = temperature_c(light, rule.source), lost_s.get(light.key, 0.0)
        if last is None or last.temperature_c is None or own is None or rule.each_c is None:
            unknown_s += lost
            why = (why or (NO_TEMPERATURE if own is None else NO_FOCUSING)) if lost else why
            continue
        due = floor(abs(own - last.temperature_c) / rule.each_c + 1e-9)
        saved_s += lost if due else 0.0
        done[last.at] = max(done.get(last.at, 0), due)
    undated = {f.key for f in frames} - {f.key for f in lights}
    unknown_s += sum(lost_s.get(key, 0.0) for key in sorted(undated))
    runs = sum(done.values())
    took = tuple(m.took_s for m in moments if m.took_s is not None)
    return Refocused(saved_s, unknown_s, runs, took, why)


def temperature_c(frame: Frame, source: str | None) -> float | None:
    """Give a frame's temperature by the thermometer that sweeps go by."""
    return frame.header.focus_c if source == "focuser" else frame.header.ambient_c


def _at(frame: Frame) -> datetime:
    return frame.header.taken_at_utc  # type: ignore[return-value]


def _focusings(
    frames: Sequence[Frame], lights: Sequence[Frame], source: str | None
) -> Iterator[Focusing]:
    """List sweeps whose frames are stored, and moves of the focuser between two of a filter."""
    shots = sorted(
        (f for f in frames if f.context.kind is Kind.FOCUS and f.header.taken_at_utc),
        key=lambda f: (_at(f), f.key),
    )
    for own in _together(shots):
        said = [c for f in own if (c := temperature_c(f, source)) is not None]
        end = max(_at(f) + timedelta(seconds=f.header.exposure_s or 0.0) for f in own)
        warm = median(said) if said else None
        yield Focusing(end, warm, (end - _at(own[0])).total_seconds() if len(own) > 1 else None)
    for name in sorted({f.context.filter for f in lights}):
        same = [f for f in lights if f.context.filter == name and f.header.focus_pos is not None]
        for before, after in pairwise(same):
            if before.header.focus_pos != after.header.focus_pos:
                yield Focusing(_at(after), temperature_c(after, source), None)


def _together(shots: Sequence[Frame]) -> Iterator[list[Frame]]:
    own: list[Frame] = []
    for shot in shots:
        if own and _at(shot) - _at(own[-1]) > GAP:
            yield own
            own = []
        own.append(shot)
    if own:
        yield own


@dataclass(frozen=True, slots=True)
class Cure:
    """What the rule would have saved of a rig's nights; None where that is unknown."""

    rig: str
    lost_s: float
    rule: Rule
    saved_s: float | None = None  # what its focusing takes is taken off
    unknown_s: float = 0.0  # of what was lost, of which it is not known
    runs: int | None = None
    run_s: float | None = None
    reason: str | None = None


def cure_of(rig: str, lost_s: float, rule: Rule, nights: Iterable[Refocused]) -> Cure:
    """Add up a rig's nights."""
    each = list(nights)
    if rule.each_c is None:
        return Cure(rig, lost_s, rule, unknown_s=lost_s, reason=rule.reason)
    unknown_s = sum(night.unknown_s for night in each)
    took = [seconds for night in each for seconds in night.took_s]
    runs = sum(night.runs for night in each)
    if unknown_s >= lost_s:
        why = next((night.why_unknown for night in each if night.why_unknown), NO_FOCUSING)
        return Cure(rig, lost_s, rule, unknown_s=unknown_s, reason=why)
    run_s = median(took) if took else None
    saved_s = sum(night.saved_s for night in each) - runs * (run_s or 0.0)
    return Cure(rig, lost_s, rule, saved_s, unknown_s, runs, run_s)


def cure_words(cure: Cure, *, name_rig: bool) -> str:
    """Say it: "out of focus 6 h 10 min: a refocus each 0.8 C would have saved 4 h 5 min"."""
    begin = f"{cure.rig}: " * name_rig + f"out of focus {hours(cure.lost_s)}: "
    if cure.saved_s is None or cure.rule.each_c is None:
        return f"{begin}what focusing more often would have saved is unknown, because {cure.reason}"
    rule = f"a refocus each {cure.rule.each_c:.1f} C would have saved"
    part = f"; of {hours(cure.unknown_s)} of it that is unknown" if cure.unknown_s >= 1 else ""
    if cure.saved_s <= 0:
        return f"{begin}{rule} nothing{_price(cure)}{part}"
    return f"{begin}{rule} {hours(cure.saved_s)}{_price(cure)}{part}"


def _price(cure: Cure) -> str:
    if not cure.runs:
        return ""
    runs = plural(cure.runs, "focus run") + " more"
    if cure.run_s is None:
        return f" ({runs}, how long these take is unknown)"
    return f" ({runs}, {hours(cure.runs * cure.run_s)}, taken off)"
