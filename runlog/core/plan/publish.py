"""A plan as published rows, and the reasons in words."""

from collections.abc import Iterator
from datetime import datetime
from typing import Any

import numpy as np

from runlog.core.charts import EIGHTHS
from runlog.core.columns import hours, plural
from runlog.core.plan.night import Block, Chance, NightPlan
from runlog.core.plan.season import Season
from runlog.core.plan.shared_words import listed, shared_words
from runlog.core.plan.sky_grid import SkyGrid, moment_of, night_name, noon_grid, spans_above
from runlog.core.plan.wanted import Wanted
from runlog.core.sky.moon import moon_crossings
from runlog.core.sky.moon_phase import lit_share
from runlog.core.sky.moonlight import MOONLESS_NL, NEAREST_DEG, surface_brightness_mag
from runlog.core.times import clock, zone_label

ROW_KEYS = (
    "rig target filter priority to_go_s up_start_utc up_end_utc transit_utc alt_max_deg "
    "airmass_min moon_sep_deg moon_v_mag sky_ratio moon_from worth exposure_s exposure_from "
    "overhead_s overhead_from frames_fit effective_s effective_low_s effective_high_s planned_s "
    "season_end nights_left obtainable_s weight_priority weight best_night reason"
).split()
PLAN_KEYS = "rig start_utc end_utc target filter frames effective_s why".split()
UPPER_DAYS = 0.25  # a flip further from the upper transit is that at the lower one
MOONLIT_FACTOR = 0.5  # of a dark minute: less is said to be in moonlight only


def rows_of(plan: NightPlan) -> list[dict[str, Any]]:
    """Write one row a goal and way to serve it, in the order of the plan; then the rest."""
    first = {(b.action.target, b.action.filter): b.start for b in reversed(plan.blocks)}
    rows = [
        (first.get((action.target, action.filter), np.inf), number, n,
         _row(plan, action_number, number))
        for action_number, action in enumerate(plan.actions)
        for n, number in enumerate(action.serves)
    ]  # fmt: skip
    rows.sort(key=lambda row: row[:3])
    return [row[3] for row in rows]


def _row(plan: NightPlan, action_number: int, number: int) -> dict[str, Any]:
    action, wanted = plan.actions[action_number], plan.wanted[number]
    chance, season = plan.chances[action_number], plan.seasons[number]
    cadence, urgency = plan.setting.known.cadence, plan.urgencies[number]
    values: dict[str, Any] = {
        "rig": plan.setting.known.rig,
        "target": action.target,
        "filter": action.filter,
        "priority": wanted.priority,
        "to_go_s": wanted.to_go_s,
        "exposure_s": action.exposure_s,
        "exposure_from": action.exposure_from,
        "overhead_s": cadence.same_s,
        "overhead_from": cadence.said,
        "moon_from": plan.setting.known.laws[action.filter].moon_from,
        "planned_s": sum(b.effective_s for b in plan.blocks if b.action == action),
        "weight_priority": urgency.priority if wanted.to_go_s is not None else None,
        "weight": urgency.weight if wanted.to_go_s is not None else None,
        **_season_values(plan, season),
        **(_sky_values(plan, chance) if chance is not None else {}),
        "best_night": _best_night(plan, action_number),
        "reason": reason(plan, action_number, number),
    }
    return {key: values.get(key) for key in ROW_KEYS}


def _season_values(plan: NightPlan, season: Season | None) -> dict[str, Any]:
    if season is None or season.begins is None:
        return {}
    ends = (
        None
        if season.ends is None
        else night_name(plan.setting.noon, plan.setting.site, season.ends)
    )
    return {
        "season_end": ends,
        "nights_left": season.nights,
        "obtainable_s": season.obtainable_s,
    }


def _sky_values(plan: NightPlan, chance: Chance) -> dict[str, Any]:
    """Tell the sky at the action's best moment of the night."""
    known = plan.setting.known
    values: dict[str, Any] = {
        "transit_utc": None if chance.transit is None else moment_of(chance.transit),
        "frames_fit": len(chance.frames),
        "effective_s": chance.effective_s,
        **_range(plan, chance),
    }
    at = chance.best
    if at is None:
        return values
    light = float(chance.seen.moon_nl[at])
    inside = chance.inside > 0
    return values | {
        "up_start_utc": moment_of(chance.spans[0][0]),
        "up_end_utc": moment_of(chance.spans[-1][1]),
        "alt_max_deg": round(float(chance.seen.alt_deg[inside].max()), 2),
        "airmass_min": round(float(chance.seen.airmass[inside].min()), 3),
        "moon_sep_deg": round(float(chance.seen.moon_sep_deg[at]), 2),
        "moon_v_mag": round(surface_brightness_mag(light), 2) if light > 0 else None,
        "sky_ratio": round(float(known.laws[chance.action.filter].sky_ratio(light)), 3),
        "worth": round(float(chance.worth[at]), 3),
    }


def _range(plan: NightPlan, chance: Chance) -> dict[str, float | None]:
    """Give what one poor night in ten, and one good one, makes of it; unknown of few nights."""
    known, share = plan.setting.known, plan.setting.known.share[chance.action.filter]
    if known.low is None or known.high is None or share <= 0:
        return {}
    return {
        "effective_low_s": chance.effective_s * known.low / share,
        "effective_high_s": chance.effective_s * max(known.high / share, 1.0),
    }


def _best_night(plan: NightPlan, action_number: int) -> str | None:
    """Name the best of the next thirty nights, by what it gives."""
    action = plan.actions[action_number]
    if action not in plan.looked_actions:
        return None
    given = plan.looked.effective_s[plan.looked_actions.index(action), :30]
    return (
        night_name(plan.setting.noon, plan.setting.site, int(np.argmax(given)))
        if given.max(initial=0.0) > 0
        else None
    )


# --- reasons -----------------------------------------------------------------------------------


def reason(plan: NightPlan, action_number: int, number: int) -> str | None:
    """Say why nothing of this is planned; None where something is."""
    if any(b.action == plan.actions[action_number] for b in plan.blocks):
        return None
    shared = plan.shared.get(plan.wanted[number].key)
    if shared is not None and plan.wanted[number].need_s <= 0:
        return f"will be reached with {listed(shared.rigs)}"
    why = _reason(plan, action_number, number)
    return why if shared is None else f"{why}; planned with {listed(shared.rigs)}"


def _reason(plan: NightPlan, action_number: int, number: int) -> str:
    action, chance = plan.actions[action_number], plan.chances[action_number]
    if chance is None:
        return "no place known"
    lowest = plan.setting.limits.lowest_deg
    dark = plan.dark.of(plan.setting, action.filter)
    if dark is None:
        return dark_words(plan)
    if not chance.up:
        peak = float(chance.seen.alt_deg.max())
        if peak < lowest:
            return f"never above {lowest:g} degrees at this site: it gets {peak:.0f} degrees high"
        return "never above the horizon of the config file"
    if not chance.spans:
        return f"up only from {_up_words(chance)}, while it is not dark" + _later(
            plan, action_number
        )
    if not chance.frames:
        return f"up too short in the dark for a frame of {action.exposure_s:g} s"
    moon = _moon_words(plan, action_number, chance)
    if moon:
        return moon
    if plan.planned_s(number) > 0:
        return "served by another filter tonight"
    return "other goals make more of the night"


def _up_words(chance: Chance) -> str:
    moments = [moment_of(end) for span in chance.up for end in span]
    spans = [f"{clock(moment_of(a))} to {clock(moment_of(b))}" for a, b in chance.up]
    return f"{' and '.join(spans)}{zone_label(*moments)}"


def _later(plan: NightPlan, action_number: int) -> str:
    action = plan.actions[action_number]
    usable = plan.looked.usable_s[plan.looked_actions.index(action)]
    least_s = plan.setting.limits.season_hours * 3600
    nights = np.flatnonzero(usable >= least_s)
    if not nights.size:
        return "; no night within a year has an hour of it" if least_s == 3600 else ""
    return f"; its season begins {night_name(plan.setting.noon, plan.setting.site, int(nights[0]))}"


def _moon_words(plan: NightPlan, action_number: int, chance: Chance) -> str:
    inside = chance.inside > 0
    if not inside.any():
        return ""
    light = chance.seen.moon_nl[inside]
    factor = plan.setting.known.laws[chance.action.filter].factor(light)
    if float(light.min()) < MOONLESS_NL or float(factor.max()) >= MOONLIT_FACTOR:
        return ""
    best = _best_night(plan, action_number)
    return "up only in moonlight" + (f": better on {best}" if best else "")


def dark_words(plan: NightPlan) -> str:
    """Say why there is no dark."""
    if plan.setting.until is not None and plan.dark.span is not None:
        return "no dark before the time the rig is to stop"
    return f"no dark: the Sun gets down to {plan.dark.lowest_sun_deg:.1f} degrees"


# --- the plan ----------------------------------------------------------------------------------


def plan_rows(plan: NightPlan) -> list[dict[str, Any]]:
    """Write the running order."""
    return [
        {
            "rig": plan.setting.known.rig,
            "start_utc": moment_of(b.start),
            "end_utc": moment_of(b.end),
            "target": b.action.target,
            "filter": b.action.filter,
            "frames": b.frames,
            "effective_s": b.effective_s,
            "why": _why(plan, b),
        }
        for b in plan.blocks
    ]


def _why(plan: NightPlan, block: Block) -> str:
    """Give the three factors of a block's goals in words."""
    said = []
    for number in block.action.serves:
        wanted, urgency = plan.wanted[number], plan.urgencies[number]
        if wanted.to_go_s is None:
            continue
        season = "no season within a year" if np.isinf(urgency.obtainable_s) else (
            f"{hours(urgency.obtainable_s)} obtainable in its season"
        )  # fmt: skip
        name = "" if wanted.filter == block.action.filter else f"{wanted.filter}: "
        said.append(f"{name}priority {wanted.order[0]}, {hours(wanted.to_go_s)} to go, {season}")
    worth = block.effective_s / (block.frames * block.action.exposure_s)
    said += [f"a minute is worth {worth:.2f}", *shared_words(plan, block)]
    return "; ".join(said + (["reaches the goal"] if block.then else []))


def moon_of(plan: NightPlan) -> dict[str, Any]:
    """Tell the Moon of the night: rise and set between the noons, lit share, greatest height."""
    start, end = moment_of(plan.grid.days[0]), moment_of(plan.grid.days[-1])
    crossings = moon_crossings(start, end, plan.setting.site)
    middle = plan.grid.moon_phase_deg[len(plan.grid.days) // 2]
    span = plan.dark.span
    inside = np.ones(len(plan.grid.days), dtype=bool)
    if span is not None:
        inside = (plan.grid.days >= span[0]) & (plan.grid.days <= span[1])
    alt = plan.grid.moon_alt_deg[inside]
    return {
        "rise_utc": next((c.at for c in crossings if c.rises), None),
        "set_utc": next((c.at for c in crossings if not c.rises), None),
        "lit": round(float(lit_share(middle)), 4),
        "alt_max_deg": round(float(alt.max()), 2) if alt.size else None,
    }


def moonless_spans(plan: NightPlan) -> list[tuple[datetime, datetime]]:
    """Find when the Moon is down in the dark."""
    span = plan.dark.span
    if span is None:
        return []
    site = plan.setting.site
    down = spans_above(noon_grid(plan.setting.noon), lambda d: -SkyGrid(d, site).moon_alt_deg)
    cut = [(max(a, span[0]), min(b, span[1])) for a, b in down]
    return [(moment_of(a), moment_of(b)) for a, b in cut if b > a]


def unknown(plan: NightPlan) -> Iterator[dict[str, str]]:
    """List what the plan had to assume: what, why, and what would make it known."""
    known = plan.setting.known
    for i, chance in enumerate(plan.chances):
        if chance is None:
            name = plan.actions[i].target
            yield _unknown(
                f"the place of {name}",
                "no frame of it has coordinates, and no catalogue knows it",
                "scan a frame of it that has coordinates, or name it as a catalogue does",
            )
        elif chance.spans and float(chance.seen.moon_sep_deg[chance.inside > 0].min(initial=180)) \
                < NEAREST_DEG:  # fmt: skip
            yield _unknown(f"moonlight at {chance.action.target}",
                           "the Moon comes within 10 degrees, beyond the model's data",
                           "wait for another night")  # fmt: skip
    if known.clear is None:
        yield _unknown("how often nights are clear here",
                       "fewer than 5 nights with frames: every other night is assumed",
                       "it is learned from nights scanned")  # fmt: skip
    if known.share_from.startswith("nothing"):
        yield _unknown(
            "how much of the time is kept here",
            known.share_from,
            "it is learned from the first frames that are kept",
        )
    for gap in known.cadence.assumed:
        yield _unknown(f"what is lost between frames, {gap}",
                       "the last runs have no such change: assumed",
                       "it is learned from the next nights")  # fmt: skip
    for name, law in sorted(known.laws.items()):
        if law.dark is None:
            yield _unknown(f"the dark sky through {name}",
                           "too few kept frames whose zero level or gain is known: without read "
                           "noise the Moon is taken to harm as much as it can",
                           "scan bias or dark frames, or set pedestal_adu")  # fmt: skip
        if not law.learned and law.dark_from == "assumed":
            yield _unknown(f"how dark the sky is without the Moon, for {name}",
                           "21 mag per square arc second assumed",
                           "dark_sky_mag under [site], or moonlit frames of 3 nights")  # fmt: skip
    guessed = {a.filter: a for a in plan.actions if a.exposure_from.startswith("assumed")}
    for name, action in sorted(guessed.items()):
        yield _unknown(
            f"how long frames through {name} are",
            f"{action.exposure_from}: {action.exposure_s:g} s",
            "take one, and scan it",
        )
    yield from _assumed_sky(plan)
    if known.cadence.flip is None:
        yield _unknown("whether the mount turns over",
                       "no header tells the side of the pier: no flip is planned",
                       "before_meridian_min and after_meridian_min under [tonight]")  # fmt: skip


def _assumed_sky(plan: NightPlan) -> Iterator[dict[str, str]]:
    """List what the plan takes for granted of twilight, and of a mount below the pole."""
    if plan.dark.nautical is not None and plan.dark.nautical != plan.dark.astronomical:
        yield _unknown("how bright twilight is through narrow bands",
                       "taken as dark down to the twilight you set: minutes there are worth less",
                       "twilight_deg = -18 under [tonight] leaves them out")  # fmt: skip
    below = sorted({c.action.target for c in plan.chances if c is not None and _turns_below(c)})
    if below:
        yield _unknown(f"whether the mount turns over below the pole on {', '.join(below)}",
                       "taken to do so as it does above",
                       "before_meridian_min and after_meridian_min under [tonight]")  # fmt: skip


def _turns_below(chance: Chance) -> bool:
    """Tell whether a flip that is not that at the upper transit falls into its time."""
    upper = chance.transit
    return any(
        (upper is None or abs(turn.start - upper) > UPPER_DAYS)
        and any(a < turn.start < b for a, b in chance.spans)
        for turn in chance.turns
    )


def _unknown(what: str, why: str, cure: str) -> dict[str, str]:
    return {"what": what, "why": why, "cure": cure}


# --- strips ------------------------------------------------------------------------------------


def strip(plan: NightPlan, chance: Chance, cell_min: float = 20.0) -> str:
    """Draw the worth of a minute through the dark, a cell every so many minutes.

    Full height is one effective minute a minute; blank where it is not up or the mount turns over.
    """
    span = plan.dark.span
    if span is None:
        return ""
    count = max(round((span[1] - span[0]) * 1440 / cell_min), 1)
    middle = span[0] + (np.arange(count) + 0.5) * (span[1] - span[0]) / count
    worth = np.interp(middle, plan.grid.days, chance.worth)
    cells = []
    for at, value in zip(middle, worth, strict=True):
        up = any(a <= at <= b for a, b in chance.spans)
        level = int(np.clip(np.ceil(value * 8), 1, 8)) if up else 0
        cells.append(EIGHTHS[level - 1] if level else " ")
    return "".join(cells)


def gain_words(wanted: Wanted, planned_s: float) -> str:
    """Point to the plan: "Ha of M 33 is 5 h 00 min short: 1 h 50 min tonight, ..."."""
    short = hours(wanted.to_go_s or 0.0)
    tonight = f"{hours(planned_s)} tonight, in effective time" if planned_s else "nothing tonight"
    return f"{wanted.filter} of {wanted.target} is {short} short: {tonight}"


def frames_words(block: Block) -> str:
    """Say what a block takes: "12 frames of 300 s"."""
    return f"{plural(block.frames, 'frame')} of {block.action.exposure_s:g} s"
