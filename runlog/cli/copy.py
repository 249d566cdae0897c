"""runlog copy: one database into another."""

import click

from runlog.cli.common import Session, talk, with_session
from runlog.cli.progress import progress_bar
from runlog.core.columns import hours, plural


@click.command("copy")
@click.argument("to", metavar="TO_URL")
@with_session
def command(session: Session, to: str) -> int:
    """Copy the whole database into TO_URL, an empty one: a file, or postgresql://HOST/NAME.

    Every row is compared at the end. A copy that broke off goes on where it was, by the same
    command; until it has ended no other command reads what is half there. The original is only
    read, and what is stored in it meanwhile is not in the copy.
    """
    from runlog.actions.copy import copy_database

    engine = session.engine()
    with progress_bar() as bar:
        done = copy_database(engine, to, lambda now, of: bar("copying", now, of))
    talk(
        f"Copied and compared {done.rows:,} rows: {plural(done.lights, 'light frame')}, "
        f"{hours(done.seconds)}, into {done.to}",
        "To work with it name it by --db or RUNLOG_DB; the original is as it was",
    )
    return 0
