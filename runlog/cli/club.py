"""runlog club: who shares a database on a server, and what each may do."""

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from runlog.cli.common import (
    Session,
    echo_csv,
    echo_json,
    listing,
    safe,
    safe_lines,
    show,
    talk,
    with_session,
)
from runlog.cli.completing import stored
from runlog.cli.naming import Suggesting
from runlog.cli.plain_table import table
from runlog.errors import ExitCode

if TYPE_CHECKING:
    from runlog.store.members import Member

KEYS = "login role rigs known".split()
SHOWN = "login role rigs".split()
MAY = {
    "reader": "looks at everything and changes nothing",
    "observer": "looks at everything; scans, marks, corrects and notes for",
    "keeper": "may do everything",
}
NOTHING = "may do nothing here"


@click.group("club", cls=Suggesting, invoke_without_command=True)
@listing
@with_session
@click.pass_context
def command(ctx: click.Context, session: Session, as_json: bool, as_csv: bool) -> int:
    """Show who shares this database, and what each may do; let people in, shut them out.

    A reader looks at everything. An observer also scans, marks, corrects and notes for the rigs
    that are theirs, and has goals of their own. The keeper may do everything. The server itself
    sees to it, whatever program a login uses. How to begin: runlog guide club
    """
    if ctx.invoked_subcommand is not None:  # which reads --db and --config here
        config = session.config and str(session.config)
        ctx.obj |= {"db": session.database if session.named else None, "config": config}
        return 0
    from runlog.actions.club import members

    found = members(session.engine())
    rows = [_row(one) for one in found]
    if as_json:
        echo_json("runlog.club/1", {"rows": rows})
    elif as_csv:
        echo_csv([row | {"rigs": "; ".join(row["rigs"])} for row in rows], KEYS)
    else:
        show(table([row | {"rigs": "; ".join(row["rigs"])} for row in rows], SHOWN))
        for one in found:
            if not one.known:
                talk(safe(f"The server knows no login {one.login} (any more)"))
            if not one.let_in:
                talk(safe(_left_over(one)))
    return 0


def _left_over(one: "Member") -> str:
    return (
        f"{one.login} is no member, and was left {_what_is_left(one)}. To take that: "
        f"runlog club remove {one.login}"
    )


def _what_is_left(one: "Member") -> str:
    """Name what somebody has who is no member."""
    if one.role in MAY:
        return f"the rights of {'an' if one.role == 'observer' else 'a'} {one.role}"
    return f"the name of keeping {'; '.join(one.rigs)}" if one.rigs else "an entry without rights"


def _row(one: "Member") -> dict[str, Any]:
    return {"login": one.login, "role": one.role, "rigs": list(one.rigs), "known": one.known}


def _rigs(said: str) -> Callable[[Callable[..., int]], Callable[..., int]]:
    """Add the option that names rigs."""
    names = stored("rigs")
    return click.option(
        "--rig", "rigs", multiple=True, metavar="NAME", shell_complete=names, help=said
    )


@command.command("add")
@click.argument("login")
@click.option(
    "--role",
    type=click.Choice(list(MAY)),
    required=True,
    help="reader looks, observer also writes for their rigs, keeper does everything.",
)
@_rigs("A rig that is theirs, besides those they have; may be given several times.")
@with_session
def _add(session: Session, login: str, role: str, rigs: tuple[str, ...]) -> int:
    """Let LOGIN of the server in, or change what it may do.

    The login itself, with its password, is made by whoever runs the server. Of a rig that has
    people of its own their marks decide; what others say of its frames is kept as a note.
    """
    from runlog.actions.club import Welcome, add

    one = add(session.engine(), Welcome(login, role, rigs))
    talk(safe(_said(one)))
    return 0


def _said(one: "Member") -> str:
    own = "; ".join(one.rigs)
    if one.role == "observer":
        own = own or "no rig yet (one that nobody scanned before is theirs; another: --rig NAME)"
        return f"{one.login} is observer: {MAY['observer']} {own}"
    keeps = f"; keeps {own}" if own else ""
    return f"{one.login} is {one.role}: {MAY.get(one.role, NOTHING)}{keeps}"


@command.command("remove")
@click.argument("login")
@_rigs("Take only this rig from them; may be given several times.")
@with_session
def _remove(session: Session, login: str, rigs: tuple[str, ...]) -> int:
    """Shut LOGIN out, or take a rig from it; what it stored and said stays.

    Ends with 1 where LOGIN keeps rights that only the server can take, and says how.
    """
    from runlog.actions.club import remove

    removed = remove(session.engine(), login, rigs)
    left = removed.left
    if left is None:
        talk(safe(f"{login} is no member any more; all they stored stays"))
    elif rigs:
        talk(safe(_said(left)))
    else:
        talk(safe_lines(f"What runlog gave {login} is taken. {_still(left)}"))
    for rig in removed.nobodys:
        talk(safe(f"{rig} is nobody's now: the keeper decides on it"))
    return ExitCode.SOME_FAILED if left is not None and not rigs else ExitCode.DONE


def _still(one: "Member") -> str:
    """Say what somebody may do after all was taken that can be taken here, and who takes it."""
    if one.through:
        roles = ", ".join(f'"{role}"' for role in one.through)
        return (
            f"{one.login} still is keeper, as a member of {roles}. Whoever runs the server takes "
            f"that:\n  psql -c 'REVOKE {roles} FROM \"{one.login}\"'"
        )
    if one.role == "keeper":
        return f"{one.login} still is keeper: the tables are theirs, and cannot be taken"
    return (
        f"{one.login} still has rights that another login of the server granted, and that only "
        "that one or whoever runs the server can revoke: psql -c '\\dp'"
    )
