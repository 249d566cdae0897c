"""runlog tonight: what the rig shall do until dawn, so that the pictures get finished."""

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click

from runlog.cli.common import (
    Session,
    echo_csv,
    echo_json,
    listing,
    own_login,
    safe,
    show,
    talk,
    with_session,
)
from runlog.cli.completing import stored
from runlog.cli.plain_table import table
from runlog.core.columns import hours, plural, share
from runlog.core.times import IN_UTC, times_in

if TYPE_CHECKING:
    from runlog.actions.together import RigPlan
    from runlog.actions.tonight import Tonight

SHOWN = (
    "target filter priority to_go_s up_between alt_max_deg airmass_min moon_sep_deg worth "
    "frames_fit effective_s season_end weight"
).split()
DROP = "priority weight moon_sep_deg airmass_min season_end effective_s alt_max_deg"
ORDER_SHOWN = "between target filter frames effective_s why".split()


@click.command("tonight")
@click.option("--date", metavar="DATE", help="Another evening: 2026-12-03.")
@click.option("--rig", shell_complete=stored("rigs"), help="A rig, by its name or part of it.")
@click.option(
    "--target",
    shell_complete=stored("targets"),
    help="One target's goals, in any spelling; a mosaic with its panels.",
)
@click.option("--until", metavar="HH:MM", help="When the rig is to stop, by the wall clock.")
@click.option("--all", "everything", is_flag=True, help="Also goals that are reached.")
@click.option("--mine", is_flag=True, help="For your own goals and rigs (on a server).")
@click.option("--site", metavar="NAME", help="Another site: one that the config file names.")
@listing
@with_session
def command(
    session: Session,
    as_json: bool,
    as_csv: bool,
    date: str | None,
    rig: str | None,
    target: str | None,
    until: str | None,
    everything: bool,
    mine: bool,
    site: str | None,
) -> int:
    """Plan the night: for each goal what it gives, and the order that serves them best.

    A minute is worth 1 where it adds a full effective minute: airmass, the Moon in this filter, and
    the share of frames you usually keep make it less. Clouds to come are not known.
    """
    from runlog.actions.tonight import Asked, tonight
    from runlog.core.plan.publish import PLAN_KEYS

    engine = session.engine()
    part = session.selection(engine, {"rig": rig, "target": target})
    owner = own_login(engine) if mine else None
    asked = Asked(datetime.now(UTC), date, until, part, session.utc, site, owner=owner)
    found = tonight(engine, session.settings, asked)
    if as_json:
        echo_json("runlog.tonight/1", body(found, everything))
    elif as_csv:
        echo_csv(body(found, everything)["plan"], PLAN_KEYS)
    else:
        with times_in(IN_UTC if session.utc else found.zone):
            _show(found, everything, session.utc)
    return 0


def body(found: "Tonight", everything: bool = False) -> dict[str, Any]:
    """Write a night's plans with the keys of `runlog.tonight/1`.

    Site, dark, Moon and night are those of the rig used last; each rig's own stand with it.
    """
    from runlog.actions.plan_knowledge import share_of_all
    from runlog.core.plan import publish

    first = found.rigs[0]
    rows = [row for one in found.rigs for row in publish.rows_of(one.plan)]
    return _sky_row(first) | {
        "share_usable": share_of_all(first.rig),
        "share_usable_from": first.plan.setting.known.share_from,
        "bound_share": found.bound_share,
        "goals_set": found.goals_set,
        "rigs": [_rig_row(one) for one in found.rigs],
        "rows": rows + _others(found, everything),
        "plan": [row for one in found.rigs for row in publish.plan_rows(one.plan)],
        "unknown": [one for rig in found.rigs for one in publish.unknown(rig.plan)],
    }


def _sky_row(one: "RigPlan") -> dict[str, Any]:
    """Write where a rig stands, and what the sky there does."""
    from runlog.core.plan import publish
    from runlog.core.plan.sky_grid import moment_of

    plan = one.plan
    site, span = plan.setting.site, plan.dark.span
    return {
        "night": one.night.isoformat(),
        "site": {
            "latitude_deg": site.latitude_deg,
            "longitude_deg": site.longitude_deg,
            "elevation_m": site.elevation_m,
            "from": one.rig.site_from,
        },
        "dark_start_utc": moment_of(span[0]) if span else None,
        "dark_end_utc": moment_of(span[1]) if span else None,
        "dark_from": plan.dark.said,
        "sun_lowest_deg": round(plan.dark.lowest_sun_deg, 2),
        "moon": publish.moon_of(plan),
    }


def _rig_row(one: "RigPlan") -> dict[str, Any]:
    cadence = one.plan.setting.known.cadence
    flip = cadence.flip
    return _sky_row(one) | {
        "rig": one.rig.name,
        "bound_share": one.plan.share,
        "setup_s": cadence.setup_s,
        "overhead_same_filter_s": cadence.same_s,
        "overhead_other_filter_s": cadence.other_s,
        "overhead_from": cadence.said,
        "flip": None if flip is None else flip.said,
        "clear_share": one.plan.setting.known.clear,
        "remarks": list(one.remarks),
    }


def _others(found: "Tonight", everything: bool) -> list[dict[str, Any]]:
    """Write goals that no plan holds, with the reason."""
    from runlog.core.plan.publish import ROW_KEYS

    told = list(found.elsewhere)
    told += [(w, "it has no hours yet: nothing was taken that it is a ratio or gain of")
             for w in found.no_hours]  # fmt: skip
    if everything:
        told += [(w, "reached") for w in found.reached]
    return [
        dict.fromkeys(ROW_KEYS)
        | {"target": w.target, "filter": w.filter, "priority": w.priority, "to_go_s": w.to_go_s}
        | {"reason": why}
        for w, why in told
    ]


# --- for people --------------------------------------------------------------------------------


def _show(found: "Tonight", everything: bool, utc: bool) -> None:
    from rich.text import Text

    from runlog.core.plan import words

    if found.with_all:
        talk("No rig is yours here: these are the rigs of all.")
    if not found.goals_set:
        talk(words.NO_GOALS)
    elif not any(one.plan.wanted for one in found.rigs):
        talk("Every goal that is asked about is reached, has no hours yet, or is another rig's.")
    said = body(found, everything)
    if found.share_a_site:
        _show_night(found.rigs[0])
    for one in found.rigs:
        show(Text("\n" + safe(one.rig.name), style="bold"))
        with times_in(IN_UTC if utc else one.zone):  # of the wall where it stands
            if not found.share_a_site:
                _show_night(one)
            _show_rig(one, said)
    if len(found.rigs) > 1:
        show(Text(f"\n{_of_all(found, said['plan'])}", style="bold"))
    idle = [row for row in said["rows"] if row["reason"] is not None]
    if idle:
        show(Text("\nNot tonight", style="bold"))
        show(*(Text(safe(f"  {row['target']} {row['filter']}: {row['reason']}")) for row in idle))
    if said["unknown"]:
        show(Text("\nUnknown", style="bold"))
        show(*(Text(safe(f"  {u['what']}: {u['why']} (cure: {u['cure']})"))
               for u in _once(said["unknown"])))  # fmt: skip
    talk(words.NO_FORECAST)


def _show_night(one: "RigPlan") -> None:
    from rich.text import Text

    from runlog.core.plan import words

    show(Text(f"Night of {one.night}", style="bold"), Text(words.heading(one.plan)))


def _of_all(found: "Tonight", plan: list[dict[str, Any]]) -> str:
    """Sum up what all rigs are to do; what each is worth is told where they share the goals out."""
    frames, effective_s = (sum(row[key] or 0 for row in plan) for key in ("frames", "effective_s"))
    best = found.bound_share
    behind = any(one.plan.puts_guests_behind for one in found.rigs)
    what = " what comes first with each" if behind else ""
    share_of_best = (
        "" if best is None else f", {share(best)} of the best any order could give{what}"
    )
    return (
        f"All {len(found.rigs)} rigs: {plural(frames, 'frame')}, {hours(effective_s)} of effective "
        f"time{share_of_best}"
    )


def _once(unknown: list[dict[str, str]]) -> list[dict[str, str]]:
    return list({tuple(u.items()): u for u in unknown}.values())


def _show_rig(one: "RigPlan", said: dict[str, Any]) -> None:
    from rich.text import Text

    from runlog.core.plan import words
    from runlog.core.plan.shared_words import best_words

    plan, name = one.plan, one.rig.name
    order = [row | {"between": words.between(row["start_utc"], row["end_utc"])}
             for row in said["plan"] if row["rig"] == name]  # fmt: skip
    rows = [row | {"up_between": words.between(row["up_start_utc"], row["up_end_utc"])}
            for row in said["rows"] if row["rig"] == name and row["up_start_utc"]]  # fmt: skip
    if order:
        best = best_words(plan)
        show(Text("Running order" + (f": {best}" if best else "")), table(order, ORDER_SHOWN))
    else:
        show(Text("Nothing to do tonight."))
    show(*(Text(safe(f"{remark}.")) for remark in one.remarks))
    if rows:
        show(Text("\nWhat the night gives each, if it had it alone"), table(rows, SHOWN, DROP))
        _show_strips(one)


def _show_strips(one: "RigPlan") -> None:
    from rich.text import Text

    from runlog.core.plan import words
    from runlog.core.plan.publish import strip

    chances = [c for c in one.plan.chances if c is not None and c.spans]
    if not chances:
        return
    show(Text("\nWorth of a minute through the dark (full height: 1; blank: not up)"))
    width = max(len(f"{c.action.target} {c.action.filter}") for c in chances)
    for c in chances:
        show(Text(safe(f"  {c.action.target} {c.action.filter}".ljust(width + 4))
                  + strip(one.plan, c)))  # fmt: skip
    known = one.plan.setting.known
    show(Text(words.moon_words(one.plan)), Text(words.lost_words(known.cadence)))
