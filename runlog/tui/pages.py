"""A page to keep of what is in view: made beside the keys, then shown in a browser."""

import os

from runlog.actions.page_for import make_page, show_page
from runlog.errors import RunlogError
from runlog.tui.messages import PageOf
from runlog.tui.session import Session
from runlog.tui.text import plainly, safe


async def page_words(session: Session, of: PageOf) -> str:
    """Make a page where runlog was started and show it; what is to be said of it."""
    session.say(f"Making the page of {_named(of)} …")
    what = session.settings, of.about, of.name, session.zone, os.getcwd()
    made = await session.make(make_page, *what)
    if not isinstance(made, str):
        why = plainly(made) if isinstance(made, RunlogError) else "nothing came of it"
        return f"No page: {safe(why)}"
    where = f"{os.path.basename(made)}, in {os.path.dirname(made)}"
    shown = await session.ask(show_page, session.settings, made)
    return safe(f"{shown}: {where}" if shown else f"{session.said}. The page: {where}")


def _named(of: PageOf) -> str:
    return {"night": f"the night of {of.name}", "season": f"the season {of.name}"}.get(
        of.about, safe(of.name)
    )
