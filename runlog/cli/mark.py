"""runlog mark: a person's own grade."""

import click

from runlog.cli.common import Session, talk, who, with_session

GRADES = ("keep", "doubtful", "reject", "auto")


@click.command("mark")
@click.argument("frames", nargs=-1, required=True, metavar="FRAME...")
@click.argument("grade", type=click.Choice(GRADES))
@click.option("--note", help="Why, in your words.")
@with_session
def command(session: Session, frames: tuple[str, ...], grade: str, note: str | None) -> int:
    """Grade frames yourself; your grade outranks the automatic one.

    FRAME is a path, a file name as `runlog frames` shows it, or the start of a key (fingerprint).
    `auto` takes your grade back. Nothing is forgotten: every mark stays in the history.
    """
    from runlog.actions.mark import mark_frames

    count = mark_frames(session.engine(), session.settings, frames, grade, note, who())
    said = "back to the automatic grade" if grade == "auto" else f"marked {grade}"
    talk(f"{count} frame{'s' * (count != 1)} {said}")
    return 0
