"""runlog mark: a person's own grade."""

from typing import Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import Session, talk, who, with_session

GRADES = ("keep", "doubtful", "reject", "auto")


@click.command("mark")
@click.argument("words", nargs=-1, metavar="FRAME... keep|doubtful|reject|auto")
@choosing()
@click.option("--note", help="Why, in your words.")
@click.option(
    "--from-folders", is_flag=True, help="Reject what lies in folders you named for rejects."
)
@with_session
def command(
    session: Session,
    words: tuple[str, ...],
    note: str | None,
    from_folders: bool,
    asked: dict[str, Any],
) -> int:
    """Grade frames yourself; your grade outranks the automatic one.

    FRAME is a path, a file name as `runlog frames` shows it (also with --csv), or the start of a
    key (fingerprint).
    Without one, the options choose light frames: all that fit are graded. `auto` takes your grade
    back. Nothing is forgotten: every mark stays in the history.
    """
    from runlog.actions.mark import mark_frames, mark_selected
    from runlog.actions.propose import mark_proposed

    if from_folders:
        count = mark_proposed(session.engine(), session.settings, who())
        if not count:
            talk("No unmarked frame lies in a folder named for rejects")
            return 0
        frames_said = f"{count} frame{'s' * (count != 1)}"
        talk(f"{frames_said} marked reject; runlog mark FRAME auto takes it back")
        return 0
    choosing_some = any(value is not None for value in asked.values())
    frames, mark = _apart(words)
    if not (frames or choosing_some):
        raise click.UsageError("Name frames as well, as in: runlog mark M33_0012.fits reject")
    engine = session.engine()
    if choosing_some:
        chosen = session.selection(engine, asked | {"frames": frames})
        count = mark_selected(engine, session.settings, chosen, mark, note, who())
    else:
        count = mark_frames(engine, session.settings, frames, mark, note, who())
    said = "back to the automatic grade" if mark == "auto" else f"marked {mark}"
    talk(f"{count} frame{'s' * (count != 1)} {said}")
    return 0


def _apart(words: tuple[str, ...]) -> tuple[tuple[str, ...], str]:
    """Tell the grade from the frames: it may stand after them or before."""
    if words and words[-1] in GRADES:
        return words[:-1], words[-1]
    if words and words[0] in GRADES:
        return words[1:], words[0]
    raise click.UsageError(
        "Name frames and a grade (keep, doubtful, reject or auto), as in: "
        "runlog mark M33_0012.fits reject"
    )
