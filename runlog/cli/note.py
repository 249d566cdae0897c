"""runlog note: what was changed on a rig, and when."""

from dataclasses import asdict
from datetime import datetime
from typing import TYPE_CHECKING, Any

import click

from runlog.cli.common import (
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
from runlog.cli.completing import stored
from runlog.cli.plain_table import table
from runlog.core.times import times_in

if TYPE_CHECKING:
    from runlog.actions.notes import Noted

KEYS = "id night rig text changed who at_utc undoes stands".split()
SHOWN = "id night rig what who at_utc stands".split()
LAST = "last"


@click.command("note")
@click.argument("text", required=False)
@click.option(
    "--date",
    metavar="DATE",
    shell_complete=stored("nights"),
    help="The night from which on it holds.",
)
@click.option(
    "--rig", shell_complete=stored("rigs"), help="Part of the rig's name, where there are several."
)
@click.option("--remark", is_flag=True, help="Nothing was changed: nights are compared as before.")
@click.option(
    "--undo",
    metavar="NUMBER",
    is_flag=False,
    flag_value=LAST,
    help="Take a note back, else your last.",
)
@listing
@with_session
def command(
    session: Session,
    text: str | None,
    date: str | None,
    rig: str | None,
    remark: bool,
    undo: str | None,
    as_json: bool,
    as_csv: bool,
) -> int:
    """Note what was changed on a rig, as in: runlog note "collimated".

    From that night on the rig's nights are compared among themselves and with none of before.
    Without --date the night is the one that is going on, or by day the one that comes. Without
    TEXT all notes are listed. Nothing is forgotten: a note that is taken back stays in the list.
    """
    if undo is not None:
        return _undo(session, undo)
    if text is None:
        return _list(session, as_json, as_csv)
    from runlog.actions.notes import add_note

    now = datetime.now().astimezone()
    engine = session.engine()
    done = add_note(engine, session.settings, text, date, rig, who(engine), now, changed=not remark)
    since = "from then on its nights are compared among themselves; " if done.note.changed else ""
    talk(
        f"Noted for the night of {done.note.night}, {safe(done.note.rig)}: {safe(done.note.text)}; "
        f"{since}to undo: runlog note --undo {done.note.id}"
    )
    _tell(done)
    return 0


def _undo(session: Session, said: str) -> int:
    from runlog.actions.notes import take_back

    if said != LAST and not said.isdigit():
        raise click.UsageError(f"{said!r} is no number of a note; runlog note lists them")
    number = None if said == LAST else int(said)
    now = datetime.now().astimezone()
    engine = session.engine()
    done = take_back(engine, session.settings, number, who(engine), now)
    what = "In force again" if done.again else f"Taken back: note {done.note.undoes}"
    talk(f"{what}, night of {done.note.night}, {safe(done.note.rig)}: {safe(done.note.text)}")
    _tell(done)
    return 0


def _tell(done: "Noted") -> None:
    talk(*(f"  {safe(line)}" for line in done.told))


def _list(session: Session, as_json: bool, as_csv: bool) -> int:
    from runlog.actions.notes import notes_book

    engine = session.engine()
    rows = [asdict(note) for note in notes_book(engine)]
    if as_json:
        echo_json("runlog.notes/1", {"rows": [{key: row[key] for key in KEYS} for row in rows]})
    elif as_csv:
        echo_csv(rows, KEYS)
    elif rows:
        with times_in(session.zone(engine)):
            show(table([row | {"what": _what(row)} for row in rows], SHOWN))
    else:
        talk('Nothing is noted of any rig. As in: runlog note "collimated"')
    return 0


def _what(row: dict[str, Any]) -> str:
    if row["undoes"]:
        return f"takes back {row['undoes']}"
    return str(row["text"]) if row["changed"] else f"{row['text']} (a remark)"
