"""runlog regrade: apply changed limits, or explain one frame's grade."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import click

from runlog.cli.common import Session, echo_json, safe, show, talk, with_session
from runlog.cli.completing import stored
from runlog.cli.plain_table import table
from runlog.cli.progress import grading_bar
from runlog.core.columns import plural

if TYPE_CHECKING:
    from runlog.actions.regrade import Explanation
    from runlog.core.grading.fault_kind import Check
    from runlog.core.grading.policy import Policy


SHOWN = "fault looked_at value doubtful reject verdict evidence".split()
DROP = "looked_at"


@click.command("regrade")
@click.option("--explain", metavar="FRAME", help="Show each limit, the value and the verdict.")
@click.option(
    "--night",
    metavar="DATE",
    shell_complete=stored("nights"),
    help="With --explain: the night of the frame, where several have its name.",
)
@click.option("--all", "everything", is_flag=True, help="Also nights graded by these limits.")
@click.option("--json", "as_json", is_flag=True, help="With --explain: write JSON.")
@with_session
def command(
    session: Session, explain: str | None, night: str | None, everything: bool, as_json: bool
) -> int:
    """Grade stored frames by the limits in force; nothing is measured again.

    Limits of the config file are put in force by `runlog policy adopt`, which grades by them too.
    Your own marks are never touched. One table says which nights changed, and why.
    """
    if night is not None and explain is None:
        raise click.UsageError("--night goes with --explain FRAME; nights are graded together")
    if explain is not None:
        _explain(session, explain, night, as_json)
        return 0
    from runlog.actions import regrade as action
    from runlog.actions.changes import tell_changes

    engine = session.engine()
    with grading_bar() as bar:
        count = action.regrade(engine, session.settings, bar, everything=everything)
    again = f"{plural(count, 'night')} graded again"
    talk(again if count else "Every night is graded by these limits")
    tell_changes(engine, talk)
    return 0


def _explain(session: Session, named: str, night: str | None, as_json: bool) -> None:
    from runlog.actions.regrade import explain

    engine = session.engine()
    found = explain(engine, session.settings, named, session.selection(engine, {"night": night}))
    rows = list(_rows(found))
    if as_json:
        used = found.judged.extinction
        body = {
            "frame": found.judged.frame.key,
            "grade": found.verdict.grade.value,
            "extinction_mag": used.mag if used else None,
            "extinction_from": used.source if used else None,
            "rows": rows,
        }
        echo_json("runlog.explain/1", body)
        return
    _show(found)


def _rows(found: "Explanation") -> Iterator[dict[str, Any]]:
    from runlog.core.grading.causes import overrides

    put_down = overrides(found.checks)
    for place, check in enumerate(found.checks):
        override = put_down.get(place)
        yield {
            "fault": check.fault.value,
            "what": check.what,
            "value": check.value,
            "doubtful": check.limit.doubtful if check.limit else None,
            "reject": check.limit.reject if check.limit else _single(check, found.policy),
            "setting": check.setting.name if check.setting else None,
            "verdict": "noted" if check.noted else check.grade.value,
            "evidence": check.evidence,
            "overridden_by": override.by.value if override else None,
            "overridden_why": override.why if override else None,
        }


def _single(check: "Check", policy: "Policy") -> float | None:
    """Give a limit that is one number, past which a frame is not kept."""
    value = None if check.setting is None else policy[check.setting]
    return float(value) if isinstance(value, int | float) else None


def _show(found: "Explanation") -> None:
    from rich.text import Text

    mark = (
        f", but marked {found.judged.mark.grade} by {found.judged.mark.who}"
        if found.judged.mark
        else ""
    )
    reason = f" ({found.verdict.note})" if found.verdict.note else ""
    rows = [_line(row) for row in _rows(found)]
    show(table(rows, SHOWN, DROP), Text(f"graded {found.verdict.grade.value}{safe(reason)}{mark}"))
    used = found.judged.extinction
    if used is not None:
        show(Text(f"a clear sky takes {used.mag:.2f} mag per airmass ({used.source})", style="dim"))


def _line(row: dict[str, Any]) -> dict[str, Any]:
    """Write a check for people; what overrides it stands beside its verdict."""
    numbers = {key: _number(row[key]) for key in ("value", "doubtful", "reject")}
    said = row | numbers | {"looked_at": row["what"]}
    if row["overridden_by"]:
        said["verdict"] += f", overridden by {row['overridden_by']}"
        said["evidence"] += f". Not counted: {row['overridden_why']}"
    return said


def _number(value: float | None) -> str | None:
    if value is None:
        return None
    counted = isinstance(value, int) or (value >= 100 and value == int(value))
    return f"{value:.0f}" if counted else f"{value:.2f}"
