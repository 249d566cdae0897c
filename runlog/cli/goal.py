"""runlog goal: what is wanted of a target and filter."""

import click

from runlog.cli.common import Numbers, Session, own_login, safe, talk, who, with_session
from runlog.cli.completing import stored


class Hours(click.types.FloatParamType):
    """A number of hours, with or without the letter h behind it."""

    def convert(
        self, value: object, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read it."""
        try:
            return float(str(value).strip().lower().removesuffix("h"))
        except ValueError:
            self.fail(f"{value!r} is no number of hours, as in 12, 1.5 or 3h", param, ctx)


@click.command("goal", cls=Numbers)
@click.argument("target", shell_complete=stored("targets"))
@click.argument("filter_name", metavar="FILTER", shell_complete=stored("filters"))
@click.argument("value", type=Hours(), metavar="HOURS")
@click.option(
    "--of",
    "of_filter",
    shell_complete=stored("filters"),
    metavar="FILTER",
    help="HOURS is a ratio of this filter's time.",
)
@click.option("--gain", is_flag=True, help="HOURS is no hours but how many times today's S/N.")
@click.option("--priority", type=int, help="1 is first, 9 is last (usual: 5).")
@click.option(
    "--doubtful/--no-doubtful",
    "count_doubtful",
    default=None,
    help="Whether doubtful hours count (default: as the config says).",
)
@click.option("--mine", is_flag=True, help="A goal of your own, beside everybody's (on a server).")
@click.option("--new", is_flag=True, help="Plan a target that was never shot.")
@with_session
def command(
    session: Session,
    target: str,
    filter_name: str,
    value: float,
    of_filter: str | None,
    gain: bool,
    priority: int | None,
    count_doubtful: bool | None,
    mine: bool,
    new: bool,
) -> int:
    """Set the HOURS wanted for TARGET through FILTER; 0 takes the goal away.

    With --of L, 0.5 means half the time of L. With --gain, 1.41 means 1.41 times today's signal to
    noise, which takes twice today's effective time: by the clock more hours than that where nights
    to come are poorer, fewer where they are better. A mosaic's goal holds for each of its panels.
    """
    from runlog.actions.goals import Wish, goal_words, wish
    from runlog.actions.totals import standing_words
    from runlog.core.ledger.goals import GoalForm

    form = GoalForm.GAIN if gain else GoalForm.RATIO if of_filter else GoalForm.HOURS
    if gain and of_filter:
        raise click.UsageError("A goal is either a ratio (--of) or a gain (--gain)")
    typed = Wish(target, filter_name, form, value, of_filter, priority, count_doubtful, new)
    engine = session.engine()
    owner = own_login(engine) if mine else None
    goal = wish(engine, session.settings, typed, who(engine), owner)
    whose = " (your own)" if owner else ""
    talk(safe(f"{goal.target}, {goal.filter}: {goal_words(goal)}{whose}"))
    if standing := standing_words(engine, session.settings, goal, owner):
        talk(safe(f"  {standing}"))
    return 0
