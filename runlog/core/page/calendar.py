"""A calendar of nights: kept hours as filled squares, the Moon's light below them."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from itertools import groupby
from typing import Any

from runlog.core.page.drawn import Drawing

Values = Mapping[str, Any]
DAYS = 31
MOST_MONTHS = 18  # a calendar of more is no calendar
MOON = 7.0  # height of the band
GAP = 6.0
SMALL, ROOM = 0.95, 18.0  # hours that want a digit more, where a day is wide enough
NAME = 12.0  # of a month, where it stands above its days


def block(nights: Sequence[Values], moonlight: Mapping[str, float]) -> dict[str, Any] | None:
    """Lay out the months from the first night to the last; None where there are too many."""
    if not nights:
        return None
    first, last = (date.fromisoformat(nights[n]["night"]) for n in (0, -1))
    months = (last.year - first.year) * 12 + last.month - first.month + 1
    if months > MOST_MONTHS:
        return None
    return {
        "block": "calendar",
        "heading": "The nights, and hours kept of each",
        "kind": "calendar",
        "said": _said(nights),
        "nights": list(nights),
        "moon": [{"night": night, "lit": round(lit, 3)} for night, lit in moonlight.items()],
    }


def _said(nights: Sequence[Values]) -> str:
    kept = sum(night["kept_s"] for night in nights) / 3600
    best = max(nights, key=lambda night: (night["kept_s"], night["night"]))
    return (
        f"{len(nights)} nights with frames from {nights[0]['night']} to {nights[-1]['night']}, "
        f"{kept:.1f} hours kept; most in the night of {best['night']}: "
        f"{best['kept_s'] / 3600:.1f} hours. The band below the nights is the share of the Moon "
        "that is lit."
    )


def days_of(first: str, last: str) -> Iterator[date]:
    """List every day of the months from one night to another."""
    day = date.fromisoformat(first).replace(day=1)
    end = date.fromisoformat(last)
    while (day.year, day.month) <= (end.year, end.month):
        yield day
        day += timedelta(days=1)


def draw(shown: Values, width: float, left: float) -> Drawing:
    """Draw a row of days a month."""
    cell = (width - left) / DAYS
    high = max(cell, 16.0)
    months = [list(days) for _, days in groupby(
        days_of(shown["nights"][0]["night"], shown["nights"][-1]["night"]),
        key=lambda day: (day.year, day.month),
    )]  # fmt: skip
    above = 0.0 if left else NAME
    row = above + high + MOON + GAP
    on = Drawing(width, 14 + row * len(months))
    nights = {night["night"]: night for night in shown["nights"]}
    lit = {moon["night"]: moon["lit"] for moon in shown["moon"]}
    most = max(night["kept_s"] for night in shown["nights"]) or 1.0
    for n in (1, 5, 10, 15, 20, 25, 30):
        on.text("hour", left + (n - 0.5) * cell, 9, str(n))
    for place, days in enumerate(months):
        y = 14 + place * row + above
        on.text("name", 0, y + high / 2 + 3 if left else y - 3, f"{days[0]:%b %Y}")
        for day in days:
            x = left + (day.day - 1) * cell
            _day(on, x, y, cell, high, nights.get(day.isoformat()), most)
            light = lit.get(day.isoformat(), 0.0) * MOON
            on.rect("moon-band", x, y + high + MOON - light + 1, cell, light)
    return on


def _day(
    on: Drawing, x: float, y: float, cell: float, high: float, night: Values | None, most: float
) -> None:
    if night is None:
        on.rect("day", x + 0.5, y, cell - 1, high)
        return
    full = (high - 1) * night["kept_s"] / most
    on.rect("night-day", x + 0.5, y, cell - 1, high)
    on.rect("length", x + 0.5, y + high - full, cell - 1, full)
    hours = night["kept_s"] / 3600
    low = full < 10  # the number stands on the fill where that is high enough, else above it
    look = "day-number" if low else "day-number on-fill"
    words = f"{hours:.1f}" if hours < SMALL and cell > ROOM else f"{hours:.0f}"
    on.text(look, x + cell / 2, y + high - (full + 3 if low else 3), words)
