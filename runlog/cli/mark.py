"""runlog mark: a person's own grade."""

import os
import sys
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import Session, shown, talk, who, with_session
from runlog.core.columns import plural
from runlog.core.times import times_in
from runlog.errors import ExitCode

if TYPE_CHECKING:
    from runlog.actions.mark import Marked
    from runlog.actions.open import Database

TOLD = "key taken_at_utc target filter grade path".split()
SHOWN = 12  # frames that a preview names

GRADES = ("keep", "doubtful", "reject", "auto")


@click.command("mark")
@click.argument("words", nargs=-1, metavar="FRAME... keep|doubtful|reject|auto")
@choosing()
@click.option("--last", is_flag=True, help="The last frame taken of those that fit.")
@click.option("--yes", is_flag=True, help="Mark all that fit without asking.")
@click.option("--note", help="Why, in your words.")
@click.option(
    "--from-folders", is_flag=True, help="Reject what lies in folders you named for rejects."
)
@click.option(
    "--as-advised", is_flag=True, help="Mark those that fit as runlog worth advises: keep, reject."
)
@click.option(
    "--weights", type=click.Choice(["equal", "best"]), help="How your stack weighs (--as-advised)."
)
@with_session
def command(
    session: Session,
    words: tuple[str, ...],
    from_folders: bool,
    as_advised: bool,
    weights: str | None,
    **given: Any,
) -> int:
    """Grade frames yourself; your grade outranks the automatic one.

    FRAME is a key as `runlog frames` shows it, a path, or a file name (also as --csv writes it).
    Where several nights have a file of that name, --night tells which is meant. Without a FRAME,
    the options choose light frames as those of `runlog frames` do: what would be marked is shown,
    and you are asked; --yes marks without asking. `auto` takes your grade back. Nothing is
    forgotten: every mark stays in the history. --as-advised takes no grade: it is that of
    `runlog worth`, and what it calls look, either or unknown stays as it is.
    """
    if from_folders:
        return _from_folders(session)
    if as_advised:
        return _as_advised(session, words, weights or "equal", **given)
    if weights:
        raise click.UsageError("--weights goes with --as-advised")
    frames, mark = _apart(words)
    return _mark(session, frames, mark, **given)


def _from_folders(session: Session) -> int:
    from runlog.actions.propose import mark_proposed

    engine = session.engine()
    count = mark_proposed(engine, who(engine))
    if not count:
        talk("No unmarked frame lies in a folder named for rejects")
        return ExitCode.DONE
    talk(f"{plural(count, 'frame')} marked reject; runlog mark FRAME auto takes it back")
    return ExitCode.DONE


def _as_advised(
    session: Session,
    words: tuple[str, ...],
    weights: str,
    *,
    note: str | None,
    last: bool,
    yes: bool,
    asked: dict[str, Any],
) -> int:
    """Mark by what keeping does to the picture, after a look at both lists and the sentences."""
    from runlog.actions.mark import mark_these
    from runlog.actions.worth import marks_advised, picture_rows, worth
    from runlog.core.worth.stack import Weights

    if words or last:
        raise click.UsageError("--as-advised takes options that choose frames; no FRAME, no grade")
    engine = session.engine()
    chosen = session.selection(engine, asked)
    found = worth(engine, session.settings, chosen, Weights(weights))
    advised = marks_advised(found)
    if not advised:
        talk("Nothing is advised of the frames that fit; see: runlog worth")
        return ExitCode.DONE
    talk(*(picture["text"] for picture in picture_rows(found)))
    if not yes and not _agreed(session, engine, advised):
        return ExitCode.USAGE
    for mark, ids in advised.items():
        done = mark_these(engine, ids, mark, note, who(engine))
        _tell(mark, done, [])
    return ExitCode.DONE


def _mark(
    session: Session,
    frames: tuple[str, ...],
    mark: str,
    *,
    note: str | None,
    last: bool,
    yes: bool,
    asked: dict[str, Any],
) -> int:
    from runlog.actions.mark import lights_to_mark, mark_frames, mark_these

    choosing_some = last or any(value is not None for value in asked.values())
    if not (frames or choosing_some):
        raise click.UsageError("Name frames as well, as in: runlog mark M33_0012.fits reject")
    if frames and last:
        raise click.UsageError("Name frames, or take the last one (--last), not both")
    engine = session.engine(settled=choosing_some)
    if choosing_some:
        chosen = session.selection(engine, asked | {"frames": frames})
        found = lights_to_mark(engine, chosen, last=last)
        if not (frames or last or yes) and not _agreed(session, engine, {mark: found}):
            return ExitCode.USAGE
        done = mark_these(engine, found, mark, note, who(engine))
    else:
        done = mark_frames(engine, frames, mark, note, who(engine))
    _tell(mark, done, _lines(session, engine, found) if last else [])
    return ExitCode.DONE


def _tell(mark: str, done: "Marked", named: Sequence[str]) -> None:
    said = "back to the automatic grade" if mark == "auto" else f"marked {mark}"
    which = f" ({'; '.join(named)})" if named else ""
    decided = done.frames - done.noted
    if decided or not done.frames:
        talk(f"{plural(decided, 'frame')} {said}{which}")
    if done.noted:
        word = "taken back" if mark == "auto" else f"kept as a note ({mark})"
        talk(
            f"What you say of {plural(done.noted, 'frame')} is {word}: others keep the rig, and "
            "their marks decide. Who: runlog club"
        )


def _agreed(session: Session, engine: "Database", found: Mapping[str, Sequence[int]]) -> bool:
    """Show what would be marked and ask; where nobody can answer, nothing is marked."""
    for mark, ids in found.items():
        lines = _lines(session, engine, ids[:SHOWN])
        talk(f"{plural(len(ids), 'frame')} would be marked {mark}:", *(f"  {x}" for x in lines))
        if len(ids) > SHOWN:
            talk(f"  and {len(ids) - SHOWN} more")
    if not sys.stdin.isatty():
        talk("Nothing is marked yet: the same with --yes marks them")
        return False
    if click.confirm("Mark them?", err=True):
        return True
    talk("Nothing was marked")
    return False


def _lines(session: Session, engine: "Database", ids: Sequence[int]) -> list[str]:
    """Say which frames these are: key, start, target, filter, grade and file."""
    from runlog.actions.frames import frame_rows, short_keys
    from runlog.core.selection import Selection

    rows = frame_rows(engine, Selection(frame_ids=tuple(ids)))
    keys = short_keys(engine, rows)
    with times_in(session.zone(engine)):
        return [_line(row, keys[row["fingerprint"]]) for row in rows]


def _line(row: dict[str, Any], key: str) -> str:
    named = row | {"key": key, "path": os.path.basename(row["path"] or "")}
    return "  ".join(shown(named, column) for column in TOLD)


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
