"""runlog correct: what a header should have said."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import (
    Numbers,
    Session,
    echo_csv,
    echo_json,
    listing,
    safe,
    show,
    talk,
    who,
    with_session,
)
from runlog.cli.plain_table import table
from runlog.cli.progress import grading_bar
from runlog.core.corrections.correction import in_words
from runlog.core.times import times_in
from runlog.errors import ExitCode

if TYPE_CHECKING:
    from runlog.actions.correct import Corrected

FIELDS = ("target", "filter", "kind", "exposure", "date", "rig", "site")
LAST = "last"
CHANGED = "This changed"


@click.command("correct", cls=Numbers)
@click.argument("field", required=False, type=click.Choice(FIELDS))
@click.argument("value", required=False)
@click.argument("frames", nargs=-1, metavar="[FRAME]...")
@choosing()
@click.option("--folder", metavar="FOLDER", help="Frames below this folder.")
@click.option("--pattern", metavar="PATTERN", help='Files named so, as in "*_Panel2_*".')
@click.option("--kind", help="Frames of this kind.")
@click.option("--near", metavar="RA_DEC", help='Frames that point here, as in "20h59m +44d31m".')
@click.option("--within", "within_deg", type=float, default=0.25, help="Degrees for --near.")
@click.option("--replace", is_flag=True, help="Overrule an earlier correction of these frames.")
@click.option("--dry-run", is_flag=True, help="Only say which frames it would be.")
@click.option(
    "--undo", metavar="NO", is_flag=False, flag_value=LAST, help="Take one back, else your last."
)
@click.option(
    "--list",
    "as_list",
    is_flag=True,
    help="List every correction ever made, or those of the frames that fit.",
)
@listing
@with_session
def command(
    session: Session, as_json: bool, as_csv: bool, asked: dict[str, Any], **typed: Any
) -> int:
    """Set FIELD to VALUE for frames by name or selection; all conditions must hold.

    Corrections are stored beside the header: files are never touched, scans change nothing about
    them, every one can be undone. VALUE is a name, a kind of frame, seconds, a site ("LAT LON
    METRES", east positive), a known rig or "TELESCOPE + CAMERA". A date is a shift ("1h later",
    "30min earlier", "0h later" where it is right), the evening's date, or for one frame its start
    in UTC.
    """
    names = "frames folder pattern kind near within_deg".split()
    asked |= {name: typed[name] for name in names}
    if typed["as_list"]:
        return _list(session, asked, as_json, as_csv)
    if typed["undo"] is not None:
        return _undo(session, typed["undo"])
    if typed["field"] is None or typed["value"] is None:
        raise click.UsageError(
            "Say what to correct and how: runlog correct FIELD VALUE --night ..."
        )
    return _correct(session, asked, typed)


def _correct(session: Session, asked: dict[str, Any], typed: dict[str, Any]) -> int:
    from runlog.actions.correct import correct

    engine = session.engine()
    chosen = session.selection(engine, asked)
    with grading_bar() as bar:
        done = correct(
            engine,
            session.settings,
            typed["field"],
            typed["value"].strip(),
            chosen,
            who(engine),
            replace=typed["replace"],
            dry_run=typed["dry_run"],
            report=bar,
        )
    if done.id is None:
        talk(f"Would be corrected: {_done(done)}")
        _name_examples(done)
        _name_others(done.of_others, "Would change")
        return ExitCode.DONE
    talk(f"Corrected: {_done(done)}. To undo: runlog correct --undo {done.id}")
    _name_others(done.of_others, CHANGED)
    if done.unread:
        talk(f"{len(done.unread)} of them could not be measured now: their files are away")
        return ExitCode.SOME_FAILED
    return ExitCode.DONE


def _done(done: "Corrected") -> str:
    return safe(f"{done.field} of {_frames(done.frames)}: {in_words(done.field, done.value)}")


def _frames(count: int) -> str:
    return f"{count} frame{'s' * (count != 1)}"


def _name_examples(done: "Corrected") -> None:
    talk(*(f"  {safe(name)}" for name in done.examples))
    if more := done.frames - len(done.examples):
        talk(f"  and {more} more")


def _name_others(of_others: Sequence[str], what: str) -> None:
    """Tell the keeper whose frames they correct."""
    talk(*(safe(f"{what} {line}") for line in of_others))


def _undo(session: Session, said: str) -> int:
    from runlog.actions.correct import undo

    if said != LAST and not said.isdigit():
        raise click.UsageError(f"{said!r} is no number of a correction; see --list")
    number = None if said == LAST else int(said)
    engine = session.engine()
    with grading_bar() as bar:
        line, of_others = undo(engine, session.settings, number, who(engine), bar)
    if line.undoes is not None:
        talk(f"Correction {line.undoes} is in force again")
    else:
        said = f"{line.field} {in_words(line.field, line.value)}"
        talk(safe(f"Undone: {said} ({_frames(line.frames)}, {line.selection})"))
    _name_others(of_others, CHANGED)
    return ExitCode.DONE


def _list(session: Session, asked: dict[str, Any], as_json: bool, as_csv: bool) -> int:
    from runlog.actions.correct import corrections_book

    engine = session.engine()
    chosen = session.selection(engine, asked)
    rows = [asdict(line) for line in corrections_book(engine, chosen)]
    if as_json:
        echo_json("runlog.corrections/1", {"rows": rows})
    elif as_csv:
        echo_csv(rows, "id field value selection frames who at_utc undoes stands".split())
    elif rows:
        said = [row | {"what": _what(row)} for row in rows]
        with times_in(session.zone(engine)):
            show(table(said, "id what frames selection who at_utc stands".split()))
    elif chosen.asks_nothing:
        talk("Nothing was ever corrected.")
    else:
        talk("Nothing was ever corrected of these frames.")
    return ExitCode.DONE


def _what(row: dict[str, Any]) -> str:
    if row["undoes"]:
        return f"undo {row['undoes']}"
    return f"{row['field']} {in_words(row['field'], row['value'])}"
