"""The lines around a night's story: what it was worth, when it was, what else was taken."""

from collections.abc import Iterable, Iterator, Mapping, Sequence

from runlog.core.columns import hours, plural
from runlog.core.frame import Kind
from runlog.core.ledger.effective_words import worth_words
from runlog.core.story.model import Dark, Event, Pace
from runlog.core.story.phrases.common import unknown
from runlog.core.story.phrases.schedule import NO_LENGTHS
from runlog.core.story.report import NightReport
from runlog.core.times import clock, zone_label

PARTS = "Part by part"
TO_CHECK = "To check before the next night"
ADDED = "Added to the totals"
TO_GO = "Still to go, over all nights"
QUESTIONS = "Doubtful in the headers"
UNEVENTFUL = "Nothing out of the ordinary"
FRAME_OF = (Kind.BIAS, Kind.FOCUS, Kind.OTHER)  # words that do not stand for a frame alone


def outcome(report: NightReport) -> Iterator[str]:
    """Say how the night went, line by line."""
    if report.lights:
        yield _counted(report)
        yield _worth(report)
    else:
        copies = ", only copies of exposures that count elsewhere" if report.copies else ""
        yield f"no light frames{copies}"
    yield from more(report)


def _counted(report: NightReport) -> str:
    listed = ", ".join(f"{n} {grade.value}" for grade, n in report.counts.items() if n)
    return f"{plural(report.lights, 'light frame')}: {listed}"


def kept(kept_s: float, logged_s: float, where: str = "") -> tuple[str, str]:
    """Say what was kept, and of how much; frames of unknown length add to neither."""
    if not logged_s:
        return f"time kept{where} {unknown(NO_LENGTHS)}", ""
    if not kept_s:
        return f"none of {hours(logged_s)} kept{where}", ""
    return f"{hours(kept_s)} kept", f" of {hours(logged_s)}{where}"


def _worth(report: NightReport) -> str:
    words = "".join(kept(report.kept_s, report.logged_s))
    if not report.kept_s:
        return words
    worth = worth_words(report.worth, report.night)
    return f"{words}; {worth}" if worth else words


def noted(notes: Sequence[str]) -> str:
    """Say what a person noted of the rig for a night."""
    return f"noted: {'; '.join(notes)}"


def more(report: NightReport) -> Iterator[str]:
    """Say what was lost, when it was dark, when frames were taken, and what else was taken."""
    if report.notes:
        yield noted(report.notes)
    if report.lost:
        yield _lost(report)
    if idle := dark_lost(report.events):
        yield _dark_lost(idle)
    if report.dark:
        yield _dark(report.dark)
    if report.doubt:
        yield f"dark from when to when is {report.doubt}"
    if report.pace:
        yield _taken(report.pace)
    if report.others:
        yield f"also: {', '.join(_of_kind(*other) for other in report.others)}"


def _lost(report: NightReport) -> str:
    causes = ", ".join(f"{hours(seconds)} {cause}" for cause, seconds in report.lost.items())
    return f"{hours(sum(report.lost.values()))} not kept: {causes}"


IDLE = {
    "pause": "in pauses",
    "late-start": "before the first frame",
    "stopped": "after the last frame",
}


def dark_lost(events: Iterable[Event]) -> dict[str, float]:
    """Sum the dark, in seconds, in which nothing was taken, by the kind of event."""
    lost: dict[str, float] = {}
    for event in events:
        if event.kind in IDLE and not event.frames and event.cost_s:
            lost[event.kind] = lost.get(event.kind, 0.0) + event.cost_s
    return lost


def _dark_lost(lost: Mapping[str, float]) -> str:
    whole = f"{hours(sum(lost.values()))} of dark lost"
    if len(lost) == 1:
        return f"{whole}: nothing was taken {IDLE[next(iter(lost))]}"
    where = ", ".join(f"{hours(seconds)} {IDLE[kind]}" for kind, seconds in lost.items())
    return f"{whole}, nothing was taken: {where}"


def _dark(dark: Dark) -> str:
    start, end = dark
    length = hours((end - start).total_seconds())
    return f"dark from {clock(start)} to {clock(end)}{zone_label(start, end)} ({length})"


def _taken(pace: Pace) -> str:
    label = zone_label(pace.first, pace.last)
    when = f"frames from {clock(pace.first)} to {clock(pace.last)}{label}"
    if not pace.open_shutter_s:
        return when  # the headers do not tell
    return f"{when}, shutter open {pace.share_open:.0%} of that time"


def _of_kind(kind: Kind, count: int) -> str:
    return plural(count, f"{kind.value} frame" if kind in FRAME_OF else kind.value)


def no_goals(aimless: Mapping[str, Sequence[str]], *, any_set: bool) -> Iterator[str]:
    """Say for which targets and filters no hours are wanted yet, and how to say it."""
    named = "; ".join(f"{target} {', '.join(filters)}" for target, filters in aimless.items())
    yield f"no goal yet{' for' if any_set else ':'} {named}"
    yield "to set one: runlog goal TARGET FILTER HOURS"


def what_happened(events: Sequence[Event]) -> str:
    """Head the list of events, with the zone of its times."""
    moments = [moment for event in events for moment in (event.start, event.end)]
    label = zone_label(*moments).strip() if moments else ""
    return f"What happened ({label})" if label else "What happened"


def when(event: Event) -> str:
    """Say when something happened: its moment, or from when to when."""
    start, end = clock(event.start), clock(event.end)
    return start if event.is_moment or start == end else f"{start}–{end}"


def cost(event: Event) -> str:
    """Say on how many frames something was, and what it cost; a pause says it by itself."""
    if event.is_moment or not event.frames:
        return ""
    lost = f", {hours(event.cost_s)} not kept" if event.cost_s else ""
    return f" ({plural(event.frames, 'frame')}{lost})"
