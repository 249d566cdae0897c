"""runlog policy: what limits are in force, and which would agree better with your marks."""

from dataclasses import asdict

import click

from runlog.cli.common import Session, echo_json, show, talk, with_session


@click.group("policy")
def command() -> None:
    """Show the limits in force, or compare them with your marks. Changes nothing by itself."""


@command.command("show")
@with_session
def show_limits(session: Session) -> int:
    """Show every limit as it would stand in the config file."""
    from runlog.core.policy import SETTINGS, Limit

    click.echo("[policy]")
    for name in SETTINGS:
        value = getattr(session.settings.policy, name)
        if isinstance(value, Limit):
            click.echo(f"{name} = [{value.doubtful:g}, {value.reject:g}]")
        elif value is not None:
            click.echo(f"{name} = {value:g}")
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
        f"{found.marks} frames marked by you: {found.agree} agree with the automatic grade, "
        f"{found.too_strict} you kept against it, {found.too_mild} you did not keep"
    )
    if found.marks < FEWEST_MARKS:
        talk(f"Too few to propose limits; mark {FEWEST_MARKS} or more")
    for s in found.suggestions:
        show(Text(f"{s.setting} = [{s.better.doubtful:g}, {s.better.reject:g}]", style="bold"))
        show(
            Text(
                f"  now [{s.now.doubtful:g}, {s.now.reject:g}]; {s.agree_then} of {s.marks} marks "
                f"would agree instead of {s.agree_now}"
            )
        )
    if found.suggestions:
        talk("To use one, write it under [policy] in the config file, then: runlog regrade")
    elif found.marks >= FEWEST_MARKS:
        talk("No change of one limit would agree clearly better")
    return 0
