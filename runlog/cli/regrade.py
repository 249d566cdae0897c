"""runlog regrade: apply changed limits, or explain one frame's grade."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import click

from runlog.cli.common import Session, echo_json, safe, show, talk, with_session
from runlog.cli.progress import grading_bar
from runlog.core.columns import plural

if TYPE_CHECKING:
    from runlog.actions.regrade import Explanation
    from runlog.core.grading.fault_kind import Check
    from runlog.core.grading.policy import Policy


@click.command("regrade")
@click.option("--explain", metavar="FRAME", help="Show each limit, the value and the verdict.")
@click.option("--all", "everything", is_flag=True, help="Also nights graded by these limits.")
@click.option("--json", "as_json", is_flag=True, help="With --explain: write JSON.")
@with_session
def command(session: Session, explain: str | None, everything: bool, as_json: bool) -> int:
    """Grade stored frames by the limits in force; nothing is measured again.

    Limits of the config file are put in force by `runlog policy adopt`, which grades by them too.
    Your own marks are never touched. One table says which nights changed, and why.
    """
    if explain is not None:
        _explain(session, explain, as_json)
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


def _explain(session: Session, named: str, as_json: bool) -> None:
    from runlog.actions.regrade import explain

    found = explain(session.engine(), session.settings, named)
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
    from rich import box
    from rich.table import Table
    from rich.text import Text

    grid = Table(box=box.SIMPLE_HEAD, pad_edge=False, padding=(0, 1))
    for label in ("fault", "looked at", "value", "doubtful", "reject", "verdict", "evidence"):
        grid.add_column(
            label, justify="right" if label in ("value", "doubtful", "reject") else "left"
        )
    for row in _rows(found):
        numbers = (_number(row[key]) for key in ("value", "doubtful", "reject"))
        verdict, words = row["verdict"], safe(row["evidence"])
        if row["overridden_by"]:
            verdict += f", overridden by {row['overridden_by']}"
            words += f". Not counted: {row['overridden_why']}"
        grid.add_row(row["fault"], row["what"], *numbers, verdict, Text(words))
    mark = (
        f", but marked {found.judged.mark.grade} by {found.judged.mark.who}"
        if found.judged.mark
        else ""
    )
    reason = f" ({found.verdict.note})" if found.verdict.note else ""
    show(grid, Text(f"graded {found.verdict.grade.value}{safe(reason)}{mark}"))
    used = found.judged.extinction
    if used is not None:
        show(Text(f"a clear sky takes {used.mag:.2f} mag per airmass ({used.source})", style="dim"))


def _number(value: float | None) -> str:
    if value is None:
        return ""
    counted = isinstance(value, int) or (value >= 100 and value == int(value))
    return f"{value:.0f}" if counted else f"{value:.2f}"
