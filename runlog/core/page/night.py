"""A night's sheet: what one rig's night was, as values, from what is known of it already."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from statistics import median
from typing import Any

from runlog.core.charts import TimeLine, dated, time_line
from runlog.core.columns import hours, plural
from runlog.core.frame import Frame, Grade
from runlog.core.ledger.effective_words import effective_note
from runlog.core.page.blocks import Block, Row, lines, table
from runlog.core.page.limits import Explained, Limit, limits_of
from runlog.core.page.pictures import PagePicture
from runlog.core.story.phrases import common
from runlog.core.story.phrases import report as say
from runlog.core.story.report import NightReport
from runlog.core.times import Zone, clock, zone_label

MOST_HOURS = 13  # marks of hours on the axis
# Causes that are things; all others say how frames are.
NOUNS = ("cloud", "bright-sky", "dew", "few-stars", "streak", "readout")
# Names of measures in charts.MEASURES that a page draws, by what the page calls them.
DRAWN = {
    "FWHM px": ("fwhm_px", "FWHM, px"),
    "ecc.": ("eccentricity", "eccentricity"),
    "transp.": ("light", "light, of the best"),
    "flux ×": ("light", "light, of the usual"),
    "sky ×": ("sky", "sky, of the usual"),
}


@dataclass(frozen=True, slots=True)
class NightSeen:
    """What a night's sheet is made of."""

    report: NightReport
    lights: Sequence[Frame]
    causes: Mapping[str, str]  # what a frame that is not kept was lost to, by its key
    moon: Sequence[tuple[datetime, float]] = ()  # altitude of its upper limb, degrees
    explained: Explained = field(default_factory=dict)  # what was asked of each frame, by its key
    pictures: Sequence[PagePicture] = ()
    to_go: Sequence[Row] = ()
    aimless: Mapping[str, Sequence[str]] | None = None


def title(night: str | None) -> str:
    """Name a night as a person would: by the day of its evening."""
    if not night:
        return "Night of unknown date"
    day = date.fromisoformat(night)
    return f"Night of {day:%A} {day.day} {day:%B %Y}"


def sheet(seen: NightSeen, zone: Zone) -> dict[str, Any]:
    """Lay out one rig's night."""
    report = seen.report
    return {
        "about": "night",
        "night": report.night,
        "rig": report.rig,
        "headline": headline(report),
        "figures": list(_figures(report)),
        "blocks": [block for block in _blocks(seen, zone) if block is not None],
    }


def headline(report: NightReport) -> str:
    """Say in one sentence what the night brought, and what it lost most to."""
    if not report.lights:
        return next(iter(say.outcome(report))).capitalize()
    parts = ["".join(say.kept(report.kept_s, report.logged_s))]
    if report.lost:
        cause = next(iter(report.lost))
        most = "most of it" if len(report.lost) > 1 else "all of it"
        to = "to " if cause in NOUNS else ""
        parts.append(f"{hours(sum(report.lost.values()))} not kept, {most} {to}{as_words(cause)}")
    if idle := sum(say.dark_lost(report.events).values()):
        parts.append(f"{hours(idle)} of dark unused")
    words = "; ".join(parts)
    return words[0].upper() + words[1:]


def as_words(cause: str) -> str:
    """Write the name of a cause as words."""
    return cause.replace("-", " ")


def _figures(report: NightReport) -> Iterator[Row]:
    worth = report.worth
    doubtful = report.counts.get(Grade.DOUBTFUL, 0)
    rejected = report.counts.get(Grade.REJECT, 0)
    idle = sum(say.dark_lost(report.events).values())
    doubtful_s = sum(t.doubtful_s for t in report.added)
    rejected_s = sum(t.rejected_s for t in report.added)
    kept = plural(report.counts.get(Grade.KEEP, 0), "frame")
    yield _figure("kept", report.kept_s, f"{kept} of {hours(report.logged_s)} taken")
    note = effective_note(worth, report.night)
    yield _figure("effective", worth.effective_s, note or "at the reference's depth")
    yield _figure("doubtful", doubtful_s, f"{plural(doubtful, 'frame')}, for your own eye")
    beside = f"; {hours(idle)} of dark unused" if idle else ""
    yield _figure("lost", rejected_s, f"{plural(rejected, 'frame')} rejected{beside}")


def _figure(name: str, seconds: float | None, note: str) -> Row:
    return {"name": name, "seconds": seconds, "note": note}


# --- blocks ---------------------------------------------------------------------------------


def _blocks(seen: NightSeen, zone: Zone) -> Iterator[Block | None]:
    report = seen.report
    yield _time_line(seen, zone)
    yield _happened(report)
    yield _parts(report)
    yield _losses(report)
    yield _to_check(report)
    yield _pictures(seen)
    yield _added(report)
    yield _to_go(seen)
    yield _known(report)


def _happened(report: NightReport) -> Block:
    rows = [
        {
            "number": number,
            "when": say.when(event),
            "text": event.text + say.cost(event),
            "kind": event.kind,
            "start_utc": event.start,
            "end_utc": event.end,
            "cost_s": event.cost_s,
        }
        for number, event in enumerate(report.events, 1)
    ]
    if not rows:
        return lines("happened", "What happened", [say.UNEVENTFUL])
    return table("happened", say.what_happened(report.events), ["number", "when", "text"], rows)


def _parts(report: NightReport) -> Block:
    rows = [
        {
            "part": part.value,
            "verdict": found.verdict.value,
            "evidence": common.beside(found.verdict, found.evidence),
        }
        for part, found in report.verdicts.items()
    ]
    return table("parts", say.PARTS, ["part", "verdict", "evidence"], rows)


def _losses(report: NightReport) -> Block | None:
    if not report.lost:
        return None
    rows = [
        {
            "cause": as_words(cause),
            "lost_s": seconds,
            "of_logged": seconds / report.logged_s if report.logged_s else None,
        }
        for cause, seconds in report.lost.items()
    ]
    return table("losses", "What was not kept", ["cause", "lost_s", "of_logged"], rows, "lost_s")


def _to_check(report: NightReport) -> Block | None:
    if not report.to_check:
        return None
    rows = [{"part": check.part.value, "words": check.words} for check in report.to_check]
    return table("to-check", say.TO_CHECK, ["part", "words"], rows)


def _pictures(seen: NightSeen) -> Block | None:
    if not seen.pictures:
        return None
    return {
        "block": "pictures",
        "heading": "Six of its frames" if len(seen.pictures) == 6 else "Some of its frames",
        "kind": "pictures",
        "pictures": [picture.as_row() for picture in seen.pictures],
    }


def _added(report: NightReport) -> Block | None:
    if not report.added:
        return None
    shown = "frames logged_s kept_s effective_s doubtful_s rejected_s ungraded_s".split()
    rows = [
        {"target": t.target, "filter": t.filter} | {key: getattr(t, key) for key in shown}
        for t in report.added
    ]
    used = [key for key in shown if any(row[key] for row in rows)]
    return table("added", say.ADDED, ["target", "filter", *used], rows)


def _to_go(seen: NightSeen) -> Block | None:
    keys = "target filter kept_s goal_s to_go_s frames_to_go".split()
    if seen.to_go:
        return table("to-go", say.TO_GO, keys, seen.to_go)
    if seen.aimless:
        return lines("to-go", say.TO_GO, say.no_goals(seen.aimless, any_set=False))
    return None


def _known(report: NightReport) -> Block:
    """Say what stands in no other part: notes, dark, frames, other kinds, questions."""
    rest = say.more(replace(report, lost={}, events=()))
    said = [f"{line[0].upper()}{line[1:]}" for line in rest]
    asked = [f"In the headers: {question}" for question in report.questions]
    return lines("known", "Also of this night", said + asked)


# --- the time line --------------------------------------------------------------------------


def _time_line(seen: NightSeen, zone: Zone) -> Block | None:
    report = seen.report
    chart = time_line(seen.lights)
    if not chart.moments:
        return None
    start, end = _span(chart, report)
    chart = TimeLine(
        chart.moments, chart.grades, start, (end - start).total_seconds(), chart.panels
    )
    return {
        "block": "time-line",
        "heading": f"The night hour by hour ({zone_label(start, end).strip() or 'local time'})",
        "kind": "time-line",
        "said": _said(seen, chart, start, end),
        "start_utc": start,
        "end_utc": end,
        "hours": [
            {"at_utc": at, "label": zone.clock(at)[:5]} for at in chart.hours(MOST_HOURS, zone)
        ],
        "dark": None if report.dark is None else _dark(report.dark),
        "moon": [{"at_utc": at, "alt_deg": round(alt, 1)} for at, alt in seen.moon],
        "events": [
            {"number": number, "start_utc": e.start, "end_utc": e.end, "moment": e.is_moment}
            for number, e in enumerate(report.events, 1)
        ],
        "frames": list(_frames(seen)),
        "panels": list(_panels(chart, _limits(seen, chart))),
    }


def _dark(dark: tuple[datetime, datetime]) -> Row:
    return {"start_utc": dark[0], "end_utc": dark[1]}


def _span(chart: TimeLine, report: NightReport) -> tuple[datetime, datetime]:
    """Show all the frames and all the dark: what was not used is part of the night."""
    end = chart.start + timedelta(seconds=chart.seconds)
    moments = [chart.start, end, *(report.dark or ())]
    return min(moments), max(moments)


def _frames(seen: NightSeen) -> Iterator[Row]:
    for frame in seen.lights:
        at = frame.header.taken_at_utc
        if at is None:
            continue
        yield {
            "at_utc": at,
            "when": clock(at),
            "target": frame.context.target,
            "filter": frame.context.filter,
            "length_s": frame.header.exposure_s,
            "grade": frame.judgement.grade.value,
            "cause": seen.causes.get(frame.key),
        }


def _limits(seen: NightSeen, chart: TimeLine) -> list[Limit]:
    values = {DRAWN[p.name][0]: p.values for p in chart.panels if p.name in DRAWN}
    return list(limits_of(dated(seen.lights), seen.explained, values))


def _panels(chart: TimeLine, limits: Sequence[Limit]) -> Iterator[Row]:
    order = list(DRAWN)
    for panel in sorted(chart.panels, key=lambda p: order.index(p.name) if p.name in order else 99):
        if panel.name not in DRAWN:
            continue
        key, name = DRAWN[panel.name]
        axis = panel.axis
        yield {
            "measure": key,
            "name": name,
            "low": axis.first * axis.step,
            "high": axis.last * axis.step,
            "cut": axis.cut,
            "ticks": [{"value": value, "label": label} for value, label in axis.ticks()],
            "values": [None if v is None else round(v, 4) for v in panel.values],
            "limits": [limit.as_row() for limit in limits if limit.measure == key],
        }


def _said(seen: NightSeen, chart: TimeLine, start: datetime, end: datetime) -> str:
    """Say in a sentence what the chart shows, for who does not see it."""
    report = seen.report
    listed = ", ".join(f"{count} {grade.value}" for grade, count in report.counts.items() if count)
    parts = [
        f"{plural(len(chart.moments), 'light frame')} between {clock(start)} and {clock(end)}"
        f"{zone_label(start, end)}: {listed}",
        f"{plural(len(report.events), 'event')}, numbered as in the list of what happened",
    ]
    for panel in chart.panels:
        known = [v for v in panel.values if v is not None]
        if panel.name in DRAWN and known:
            name = DRAWN[panel.name][1]
            low, mid, high = min(known), median(known), max(known)
            parts.append(f"{name} from {low:.2f} to {high:.2f}, median {mid:.2f}")
    return ". ".join(parts) + "."
