"""A season's sheet and a target's, as values."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from runlog.core.columns import hours, plural
from runlog.core.page import calendar, curves
from runlog.core.page.blocks import Block, Row, lines, table
from runlog.core.page.pictures import PagePicture
from runlog.core.story.phrases import report as say

SUMMED = "frames logged_s kept_s doubtful_s rejected_s ungraded_s".split()
NIGHT_KEYS = "night kept_s logged_s frames doubtful_s rejected_s".split()
TOTAL_KEYS = "target filter kept_s effective_s goal_s to_go_s nights".split()
TARGET_KEYS = "filter kept_s effective_s goal_s to_go_s frames_to_go gain_next_hour nights".split()
MOST_TRENDS = 6


@dataclass(frozen=True, slots=True)
class Course:
    """One number of a rig, a night each, and what is to be said of it."""

    name: str
    label: str
    rig: str
    said: str
    points: Sequence[Row]


@dataclass(frozen=True, slots=True)
class SeasonSeen:
    """What a season's sheet is made of."""

    name: str
    nights: Sequence[Row]  # sums of each night, oldest first
    totals: Sequence[Row]  # as runlog.totals/1, over these nights; goals are about all
    moonlight: Mapping[str, float]  # share of the Moon that is lit, by night
    courses: Sequence[Course]
    forecasts: Sequence[Row]  # as runlog.forecast/1
    noted: Sequence[str]


@dataclass(frozen=True, slots=True)
class TargetSeen:
    """What a target's sheet is made of."""

    name: str
    nights: Sequence[Row]
    totals: Sequence[Row]
    growth: Sequence[Row]  # as runlog.growth/1
    forecasts: Sequence[Row]
    best: PagePicture | None


def nights_of(rows: Sequence[Row]) -> list[dict[str, Any]]:
    """Add up the sums of several rigs in one night; nights without a date are left out."""
    found: dict[str, dict[str, Any]] = {}
    for row in rows:
        if row["night"] and row["frames"]:
            own = found.setdefault(row["night"], {"night": row["night"]} | dict.fromkeys(SUMMED, 0))
            for key in SUMMED:
                own[key] += row[key] or 0
    return [found[night] for night in sorted(found)]


def season_sheet(seen: SeasonSeen) -> dict[str, Any]:
    """Lay out a season, all rigs together."""
    return _sheet("season", seen.name, seen.nights, seen.totals, _season_blocks(seen))


def target_sheet(seen: TargetSeen) -> dict[str, Any]:
    """Lay out a target over all nights."""
    return _sheet("target", seen.name, seen.nights, seen.totals, _target_blocks(seen))


def _sheet(
    about: str,
    name: str,
    nights: Sequence[Row],
    totals: Sequence[Row],
    blocks: Iterator[Block | None],
) -> dict[str, Any]:
    sums = {key: sum(night[key] for night in nights) for key in SUMMED}
    return {
        "about": about,
        "night": None,
        "rig": None,
        "headline": _headline(nights, sums),
        "figures": list(_figures(nights, sums, totals)),
        "blocks": [block for block in blocks if block is not None],
    }


def _headline(nights: Sequence[Row], sums: Row) -> str:
    if not nights:
        return "No dated light frames"
    kept = "".join(say.kept(sums["kept_s"], sums["logged_s"]))
    span = nights[0]["night"] if len(nights) == 1 else (
        f"{nights[0]['night']} to {nights[-1]['night']}"
    )  # fmt: skip
    words = f"{kept} in {plural(len(nights), 'night')}, {span}"
    return words[0].upper() + words[1:]


def _figures(nights: Sequence[Row], sums: Row, totals: Sequence[Row]) -> Iterator[Row]:
    known = [t["effective_s"] for t in totals if t["effective_s"] is not None]
    to_go = [t["to_go_s"] for t in totals if t["to_go_s"] is not None]
    lost = sums["logged_s"] - sums["kept_s"]
    frames = plural(sums["frames"], "frame")
    yield _figure("kept", sums["kept_s"], f"of {hours(sums['logged_s'])} taken, {frames}")
    partly = sum(t["effective_s"] is None and bool(t["kept_s"]) for t in totals)
    note = f"unknown for {plural(partly, 'row')} below" if partly else "at the reference's depth"
    yield _figure("effective", sum(known) if known else None, note)
    split = f"{hours(sums['doubtful_s'])} doubtful, {hours(sums['rejected_s'])} rejected"
    yield _figure("not kept", lost, split)
    goals = f"to {plural(len(to_go), 'goal')}, over all nights" if to_go else "no goal is set"
    yield _figure("to go", sum(to_go) if to_go else None, goals)


def _figure(name: str, seconds: float | None, note: str) -> Row:
    return {"name": name, "seconds": seconds, "note": note}


# --- blocks ---------------------------------------------------------------------------------


def _season_blocks(seen: SeasonSeen) -> Iterator[Block | None]:
    yield calendar.block(seen.nights, seen.moonlight)
    yield _totals("Hours against goals", TOTAL_KEYS, seen.totals)
    yield _forecasts(seen.forecasts, ["target", "filter", "text"])
    for number, course in enumerate(seen.courses[:MOST_TRENDS], 1):
        heading = f"{course.label}{f' ({course.rig})' if course.rig else ''}"
        yield curves.series_block(
            f"trend-{number}-{course.name}", heading, course.said, course.points
        )
    if seen.noted:
        yield lines("changes", "Noted, and what moved", seen.noted)


def _target_blocks(seen: TargetSeen) -> Iterator[Block | None]:
    yield _totals("Hours against goals, and what the next hour buys", TARGET_KEYS, seen.totals)
    yield curves.growth_block(seen.growth, {t["filter"]: t["goal_s"] for t in seen.totals})
    yield _forecasts(seen.forecasts, ["filter", "text"])
    if seen.best is not None:
        best = [seen.best.as_row()]
        yield {
            "block": "best",
            "heading": "Its sharpest kept frame",
            "kind": "pictures",
            "pictures": best,
        }
    if seen.nights:
        yield table("nights", "Its nights", NIGHT_KEYS, seen.nights, "kept_s")


def _totals(heading: str, keys: Sequence[str], totals: Sequence[Row]) -> Block | None:
    if not totals:
        return None
    rows = [{key: t[key] for key in keys} | {"bar": _bar(t)} for t in totals]
    used = [key for key in keys if any(row[key] is not None for row in rows)]
    return table("totals", heading, used, rows, "bar")


def _bar(total: Row) -> list[dict[str, Any]]:
    """Set time against the goal: of the nights shown, of others, and what is to go over all.

    Without a goal kept and doubtful time stand by themselves.
    """
    kept_s, goal_s, to_go_s = total["kept_s"], total["goal_s"], total["to_go_s"]
    parts = [("keep", kept_s)]
    if goal_s is None or to_go_s is None:
        parts.append(("doubtful", total["doubtful_s"]))
    else:
        parts += [("elsewhere", max(goal_s - to_go_s - kept_s, 0.0)), ("to go", to_go_s)]
    return [{"what": what, "seconds": seconds} for what, seconds in parts if seconds]


def _forecasts(rows: Sequence[Row], keys: Sequence[str]) -> Block | None:
    left = [{key: row[key] for key in keys} for row in rows if not row["done"]]
    return table("forecasts", "When the goals are reached", keys, left) if left else None
