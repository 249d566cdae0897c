"""runlog policy: the limits, what each rig is graded by, and what would agree with your marks."""

import json
import textwrap
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

import click

from runlog.cli.common import (
    Session,
    echo_csv,
    echo_json,
    group_session,
    listing,
    safe,
    show,
    talk,
    who,
    with_session,
)
from runlog.cli.completing import stored
from runlog.cli.naming import Suggesting
from runlog.cli.progress import grading_bar
from runlog.core.columns import plural, written
from runlog.core.times import times_in

if TYPE_CHECKING:
    from runlog.core.grading.policy import Policy

WIDTH = 96
LIMIT_KEYS = "filter setting doubtful reject value".split()


@click.group("policy", cls=Suggesting)
@group_session
def command() -> None:
    """Show the limits, compare them with your marks, or put those of the config file in force."""


@command.command("show")
@click.option(
    "--rig",
    metavar="NAME",
    shell_complete=stored("rigs"),
    help="What this rig is graded by, not the config file.",
)
@listing
@with_session
def show_limits(session: Session, rig: str | None, as_json: bool, as_csv: bool) -> int:
    """Show every limit as it would stand in the config file."""
    if rig is None and not (as_json or as_csv):
        talk("# As the config file says; what a rig is graded by: runlog policy show --rig NAME")
    rows = limit_rows(session.settings.policy if rig is None else _of_rig(session, rig))
    if as_json:
        echo_json("runlog.policy/1", {"rows": rows})
    elif as_csv:
        echo_csv(rows, LIMIT_KEYS)
    else:
        _show_tables(rows)
    return 0


def _of_rig(session: Session, rig: str) -> "Policy":
    from runlog.actions.rig_settings import settings_of_named

    name, settings = settings_of_named(session.engine(), session.settings, rig)
    talk(f"Limits of {name}")
    return settings.policy


def limit_rows(policy: "Policy") -> list[dict[str, Any]]:
    """List the limits in force for all filters, then those of their own that filters have."""
    from runlog.core.grading.faults import settings

    general = {name: policy[setting] for name, setting in settings().items()}
    tables = [(None, general), *sorted(policy.by_filter.items())]
    return [
        _limit_row(filter_name, setting, value)
        for filter_name, limits in tables
        for setting, value in limits.items()
    ]


def _limit_row(filter_name: str | None, setting: str, value: Any) -> dict[str, Any]:
    from runlog.core.grading.policy import Limit

    pair = (value.doubtful, value.reject) if isinstance(value, Limit) else (None, None)
    single = None if isinstance(value, Limit) else value
    return dict(zip(LIMIT_KEYS, (filter_name, setting, *pair, single), strict=True))


def _show_tables(rows: list[dict[str, Any]]) -> None:
    for filter_name in dict.fromkeys(row["filter"] for row in rows):
        click.echo("[policy]" if filter_name is None else f"\n[policy.{_key(filter_name)}]")
        for row in rows:
            if row["filter"] == filter_name:
                _show_why(row)
                said = _written(row)
                name = row["setting"]
                click.echo(f"# {name} is not set" if said is None else f"{name} = {said}")


def _show_why(row: dict[str, Any]) -> None:
    """Write the reason of a default as a comment of TOML; a filter's own limit needs none."""
    from runlog.core.grading.faults import settings

    if row["filter"] is None:
        for line in textwrap.wrap(settings()[row["setting"]].why, WIDTH):
            click.echo(f"# {line}")


def _key(name: str) -> str:
    """Write a key of TOML: bare where it may be."""
    bare = name.isascii() and name.isalnum()
    return name if bare else json.dumps(name, ensure_ascii=not name.isprintable())


def _written(row: dict[str, Any]) -> str | None:
    if row["doubtful"] is not None:
        return f"[{row['doubtful']:g}, {row['reject']:g}]"
    return None if row["value"] is None else f"{row['value']:g}"


@command.command("adopt")
@click.option(
    "--rig",
    metavar="NAME",
    shell_complete=stored("rigs"),
    help="Only this rig; part of its name will do.",
)
@with_session
def adopt_file(session: Session, rig: str | None) -> int:
    """Grade by what the config file says now: limits, site, zero level, form of depth.

    What it does not say goes back to the defaults. Your own marks are never touched. One table
    says which nights changed, and why. On a server the keeper changes rigs that are somebody's
    only by --rig.
    """
    from runlog.actions.changes import tell_changes
    from runlog.actions.open import settle_behind
    from runlog.actions.rig_settings import adopt

    # What differs is what is now put in force; there is nothing to warn of.
    settings = replace(session.settings, said=frozenset())
    engine = replace(session, settings=settings).engine()
    done = adopt(engine, session.settings, rig, who(engine))
    for name in done.changed:
        talk(f"{name} is graded by {session.settings.source or 'the defaults'} from now on")
    with grading_bar() as bar:
        settle_behind(engine, session.settings, bar)
    tell_changes(engine, talk)
    for name in done.left:
        talk(safe(f"Left as it is graded: {name}. To change it all the same: --rig NAME"))
    if not done.changed and not done.left:
        talk("Nothing to do: frames are graded by that already")
    return 0


HISTORY_KEYS = "rig at_utc who says".split()


@command.command("history")
@listing
@with_session
def history(session: Session, as_json: bool, as_csv: bool) -> int:
    """Show what each rig was ever graded by, who said so, and when."""
    from runlog.actions.rig_settings import settings_history, written_sections

    engine = session.engine()
    found = settings_history(engine)
    rows = [{key: getattr(entry, key) for key in HISTORY_KEYS} for entry in found]
    if as_json:
        echo_json("runlog.policy-history/1", {"rows": rows})
        return 0
    if as_csv:
        echo_csv(rows, HISTORY_KEYS)
        return 0
    zone = session.zone(engine)
    for row in rows:
        with times_in(zone):
            click.echo(safe(f"{written('at_utc', row['at_utc'])}  {row['rig']}: {row['who']}"))
        for line in written_sections(row["says"]) or ["the defaults throughout"]:
            click.echo(safe(f"    {line}"))
    return 0


@command.command("suggest")
@click.option("--json", "as_json", is_flag=True, help="Write JSON.")
@with_session
def suggest(session: Session, as_json: bool) -> int:
    """Propose limits that would have agreed best with your marks, with the evidence."""
    from rich.text import Text

    from runlog.actions.suggest import FEWEST_MARKS, compare

    found = compare(session.engine(), session.settings)
    if as_json:
        echo_json(
            "runlog.suggest/1", asdict(found) | {"rows": [asdict(s) for s in found.suggestions]}
        )
        return 0
    talk(
        f"{plural(found.marks, 'frame')} marked by you: {found.agree} as the automatic grade has "
        f"it, {found.too_strict} you kept against it, {found.too_mild} you did not keep"
    )
    if found.marks < FEWEST_MARKS:
        talk(f"Too few to propose limits; mark {FEWEST_MARKS} or more")
    for s in found.suggestions:
        show(Text(f"{s.setting} = [{s.better.doubtful:g}, {s.better.reject:g}]", style="bold"))
        show(
            Text(
                f"  now [{s.now.doubtful:g}, {s.now.reject:g}]; {s.agree_then} of {s.marks} marks "
                f"would agree instead of {s.agree_now}"
            ),
            Text(f"  {s.evidence}"),
        )
    if found.suggestions:
        talk("To use one, write it under [policy] in the config file, then: runlog policy adopt")
    elif found.marks >= FEWEST_MARKS:
        talk("No change of one limit would agree clearly better")
    return 0
