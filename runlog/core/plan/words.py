"""A night's plan in sentences: the same ones for the command and the terminal interface."""

from collections.abc import Iterator
from datetime import datetime
from typing import Any

import numpy as np

from runlog.core.columns import hours, plural, share
from runlog.core.plan.cadence import Cadence
from runlog.core.plan.night import NightPlan
from runlog.core.plan.publish import dark_words, moon_of, moonless_spans
from runlog.core.plan.sky_grid import moment_of, night_name
from runlog.core.times import clock, zone_label

NO_FORECAST = "The plan knows no forecast: clouds and seeing to come are not in it."
NO_GOALS = (
    "No goals set: targets with kept hours, each wanted alike. "
    "Set one: runlog goal TARGET FILTER HOURS"
)


def heading(plan: NightPlan) -> str:
    """Say when it is dark and what the Moon does."""
    moon, span = moon_of(plan), plan.dark.span
    moves = sorted(
        (moon[key], word)
        for key, word in (("rise_utc", "rises"), ("set_utc", "sets"))
        if moon[key] is not None
    )
    always = "up all day" if (moon["alt_max_deg"] or 0) > 0 else "down all day"
    moon_words = f"Moon {share(moon['lit'])} lit, " + (
        ", ".join(f"{word} {at(when)}" for when, word in moves) or always
    )
    if span is None:
        words = dark_words(plan)
        return f"{words[:1].upper()}{words[1:]}. {moon_words}"
    start, end = map(moment_of, span)
    kind = ", by the twilight you set, for narrow bands only"
    dark = f"Dark from {between(start, end)}"
    if plan.dark.all_day:
        dark = "Dark all day"
    free_s = sum((b - a).total_seconds() for a, b in moonless_spans(plan))
    return (
        f"{dark} ({hours((end - start).total_seconds())})"
        f"{kind if plan.dark.said == 'nautical' else ''}. "
        f"{moon_words}; {hours(free_s)} of the dark without it"
    )


def at(moment: datetime) -> str:
    """Write a time of day."""
    return f"{clock(moment)}{zone_label(moment)}"


def between(start: datetime | None, end: datetime | None) -> str | None:
    """Write a span of the night."""
    if start is None or end is None:
        return None
    return f"{clock(start)} to {clock(end)}{zone_label(start, end)}"


def lost_words(cadence: Cadence) -> str:
    """Say what is lost between frames, and from what that is known."""
    flip = "none planned" if cadence.flip is None else cadence.flip.said
    return (
        f"Lost between frames: {cadence.same_s:.0f} s, other filter {cadence.other_s:.0f} s, "
        f"other target {cadence.setup_s:.0f} s ({cadence.said}); flip: {flip}"
    )


def moon_words(plan: NightPlan) -> str:
    """Say from what moonlight is known, filter by filter."""
    laws = sorted(f"{name}: {law.moon_from}" for name, law in plan.setting.known.laws.items())
    return "The Moon by filter: " + "; ".join(laws)


def row_words(row: dict[str, Any]) -> Iterator[str]:
    """Say the facts of one published row."""
    if row["reason"] is not None:
        yield f"Not tonight: {row['reason']}"
    if row["to_go_s"] is not None:
        season = f", season until {row['season_end']}" if row["season_end"] else ""
        yield f"{hours(row['to_go_s'])} to go, priority {row['priority']}{season}"
    up = between(row["up_start_utc"], row["up_end_utc"])
    if up is None:
        return
    yield (
        f"Up in the dark {up}, {row['alt_max_deg']:.0f} degrees at the highest, airmass "
        f"{row['airmass_min']:.2f} at the least; {row['moon_sep_deg']:.0f} degrees from the Moon"
    )
    yield (
        f"A minute is worth {row['worth']:.2f} at the best; alone it would get "
        f"{plural(row['frames_fit'], 'frame')} of {row['exposure_s']:g} s, "
        f"{hours(row['effective_s'])} in effective time"
    )


def next_nights(plan: NightPlan, action_number: int, days: int = 60, most: int = 5) -> str:
    """Say which nights to come give an action most, if they are clear and it has them alone."""
    action = plan.actions[action_number]
    if action not in plan.looked_actions:
        return "Its nights are unknown, because its place is not known"
    given = plan.looked.effective_s[plan.looked_actions.index(action), :days]
    best = [int(n) for n in np.argsort(-given, kind="stable")[:most] if given[n] > 0]
    if not best:
        return f"No night of the next {days} gives it anything"
    named = (
        f"{night_name(plan.setting.noon, plan.setting.site, n)} ({hours(given[n])})" for n in best
    )
    return f"Best of the next {days} nights, in effective time: " + ", ".join(named)
