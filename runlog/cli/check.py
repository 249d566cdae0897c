"""runlog check: the health of database, config and files."""

from pathlib import Path
from typing import TYPE_CHECKING

import click

from runlog.cli.common import Session, echo_csv, echo_json, listing, safe, show, with_session

if TYPE_CHECKING:
    from collections.abc import Sequence

    from runlog.actions.check import Finding


@click.command("check")
@click.option(
    "--thorough",
    is_flag=True,
    help="Read all of a large database, and hold its indexes against its rows.",
)
@click.option("--private", is_flag=True, help="Let only yourself read the database's files.")
@listing
@with_session
def command(session: Session, as_json: bool, as_csv: bool, *, thorough: bool, private: bool) -> int:
    """Look at database, config, files and headers; each finding comes with its cure."""
    from runlog.actions.check import check, check_damaged
    from runlog.errors import DamagedError, ExitCode

    try:
        findings = check(
            session.engine(), session.settings, session.config, thorough=thorough, private=private
        )
    except DamagedError as error:
        found = check_damaged(Path(error.where), session.config)
        _tell(found, as_json=as_json, as_csv=as_csv)
        return ExitCode.CANNOT_WORK
    _tell(findings, as_json=as_json, as_csv=as_csv)
    return ExitCode.DONE


def _tell(findings: "Sequence[Finding]", *, as_json: bool, as_csv: bool) -> None:
    from dataclasses import asdict

    from rich.text import Text

    if as_json:
        echo_json("runlog.check/1", {"rows": [asdict(f) for f in findings]})
        return
    if as_csv:
        rows = [asdict(f) for f in findings]
        echo_csv(rows, list(rows[0]))
        return
    for finding in findings:
        line = Text(
            "  fine  " if finding.well else "  look  ", style="dim" if finding.well else "#E69F00"
        )
        line.append(f"{finding.about}: {safe(finding.text)}", style="none")
        show(line)
        for cure in finding.cure.splitlines():
            show(Text(f"        {safe(cure)}", style="dim"))
