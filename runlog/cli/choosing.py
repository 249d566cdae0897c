"""The options that choose frames: the same words, and the same meaning, for every command."""

from collections.abc import Callable
from functools import update_wrapper
from typing import Any

import click

from runlog.cli.completing import stored
from runlog.core.frame import FaultName, Grade

OPTIONS = {
    "night": click.option(
        "--night",
        metavar="DATE",
        shell_complete=stored("nights"),
        help="One night: its evening's date, or last, -1, yesterday, friday.",
    ),
    "since": click.option(
        "--since", metavar="DATE", shell_complete=stored("nights"), help="From this evening on."
    ),
    "until": click.option(
        "--until", metavar="DATE", shell_complete=stored("nights"), help="Up to this evening."
    ),
    "season": click.option(
        "--season", metavar="SEASON", help='"2026", "2026-27" (July to June), "autumn 2026".'
    ),
    "target": click.option(
        "--target",
        shell_complete=stored("targets"),
        help="One target, in any spelling; a mosaic with its panels.",
    ),
    "filter": click.option(
        "--filter", shell_complete=stored("filters"), help="One filter, in any spelling."
    ),
    "rig": click.option(
        "--rig", shell_complete=stored("rigs"), help="A rig, by its name or part of it."
    ),
    "grade": click.option(
        "--grade", type=click.Choice([g.value for g in Grade]), help="Light frames of this grade."
    ),
    "fault": click.option(
        "--fault",
        type=click.Choice([f.value for f in FaultName]),
        metavar="FAULT",
        help="Frames with this fault, such as cloud or trailed.",
    ),
}
Command = Callable[..., Any]


def choosing(*, without: str = "") -> Callable[[Command], Command]:
    """Add the options, handed on together as `asked`; `without` names those of no sense here."""
    names = [name for name in OPTIONS if name not in without.split()]

    def add(command: Command) -> Command:
        def gathered(**given: Any) -> Any:
            asked = {name: given.pop(name) for name in names}
            return command(asked=asked, **given)

        run: Command = update_wrapper(gathered, command)
        for name in reversed(names):
            run = OPTIONS[name](run)
        return run

    return add
