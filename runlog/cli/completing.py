"""What the shell offers where Tab is pressed: targets, filters, nights and rigs that are stored."""

from collections.abc import Callable
from typing import Any

import click
from click.shell_completion import BashComplete, CompletionItem, add_completion_class

Complete = Callable[[click.Context, click.Parameter, str], list[CompletionItem]]


class QuotingBash(BashComplete):
    """Bash's own, which writes a name with blanks so that it stays one word."""

    source_template = BashComplete.source_template.replace(
        "COMPREPLY+=($value)", 'COMPREPLY+=("$(printf %%q "$value")")'
    ).replace("read type value", "read -r type value")


def install() -> None:
    """Let bash be given names with blanks."""
    add_completion_class(QuotingBash)


def stored(what: str) -> Complete:
    """Offer what is stored of a kind: targets, filters, nights, rigs."""

    def complete(
        ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        from runlog.actions.completion import known

        start = incomplete.lower().replace(" ", "")
        names = known(_database(ctx), what)
        return [CompletionItem(n) for n in names if n.lower().replace(" ", "").startswith(start)]

    return complete


def _database(ctx: click.Context | None) -> str:
    """Find the database the line names, in front of the command or behind it."""
    from runlog.config import default_database

    while ctx is not None:
        given: Any = ctx.params.get("db")
        if given:
            return str(given)
        ctx = ctx.parent
    return default_database()
