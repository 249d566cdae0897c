"""runlog review: the terminal interface."""

import os

import click

from runlog import stopping
from runlog.cli.common import Session, talk, who, with_session
from runlog.errors import RunlogError


@click.command("review")
@with_session
def command(session: Session) -> int:
    """Review the last night: what happened, what needs a decision, what is still to go.

    Keys do everything and ? shows them; the mouse works too.
    """
    from runlog.actions.review import open_for_review
    from runlog.tui.app import ReviewApp
    from runlog.tui.session import Session as Sitting
    from runlog.tui.terminal import ask, is_typed_into

    # The default one is made, to say on the first start what comes next.
    engine = open_for_review(session.database, talk, make=not session.named)
    if not is_typed_into():
        raise RunlogError(
            "The review wants a terminal to read keys from",
            cure="In a script or a pipe: runlog night, runlog frames and runlog totals",
        )
    sitting = Sitting(
        engine,
        session.settings,
        who=who(engine),
        database=session.database,
        config=session.config,
        terminal=ask(os.environ),
        utc=session.utc,
    )
    app = ReviewApp(sitting, begun_there=True)
    stopping.stored("every decision is stored", "to go on: runlog")
    with stopping.by_default():
        app.run()
    return app.return_code or 0
