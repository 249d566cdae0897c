"""runlog goal: hours wanted for a target and filter."""

import click

from runlog.cli.common import Session, talk, who, with_session


@click.command("goal")
@click.argument("target")
@click.argument("filter_name", metavar="FILTER")
@click.argument("hours", type=float)
@with_session
def command(session: Session, target: str, filter_name: str, hours: float) -> int:
    """Set the hours wanted for TARGET through FILTER; 0 takes the goal away."""
    from runlog.actions.totals import set_goal

    names = dict(session.settings.rules.filter_names)
    folded = set_goal(session.engine(), target, filter_name, hours, who(), names)
    said = f"{hours:g} h wanted" if hours else "no goal any more"
    talk(f"{folded[0]}, {folded[1]}: {said}")
    return 0
