"""runlog night: the morning summary."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import starmap
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
    safe_lines,
    show,
    talk,
    with_session,
)
from runlog.cli.completing import stored
from runlog.cli.hour_columns import spoken, with_ungraded
from runlog.cli.plain_table import table, wrapped
from runlog.cli.totals import SHOWN as TOTALS_SHOWN
from runlog.core.story.phrases import common
from runlog.core.story.phrases import report as say
from runlog.core.times import IN_UTC, times_in

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.text import Text

    from runlog.actions.night import Morning
    from runlog.actions.open import Database
    from runlog.core.story.model import Part, PartVerdict, ToCheck
    from runlog.core.story.report import NightEvent, NightReport

ADDED = [key for key in TOTALS_SHOWN if key not in ("nights", "goal_s", "to_go_s", "frames_to_go")]
ADDED_DROP = "frames logged_s rejected_s doubtful_s ungraded_s"
TO_GO_SHOWN = "target filter kept_s goal_s to_go_s frames_to_go".split()
TO_GO_DROP = "kept_s frames_to_go goal_s"
LEAST_WIDTH = 24  # cells for words, however narrow the terminal
# Okabe and Ito 2008; the word always stands beside the colour.
OPINION_STYLE = {"good": "#009E73", "fair": "#E69F00", "poor": "#D55E00", "unknown": "dim"}


@click.command("night", cls=Numbers)
# DATE is the night; all else chooses which night, which is then told whole.
@click.argument("date", required=False, shell_complete=stored("nights"))
@choosing(without="night")
@listing
@with_session
def command(
    session: Session, date: str | None, as_json: bool, as_csv: bool, asked: dict[str, Any]
) -> int:
    """Show what happened in the night of DATE; the last night by default.

    DATE is the evening's date, or one of: last, -1 (the night before the last), yesterday, today,
    a day of the week (its last night that is stored).

    With a target, filter, rig, grade, fault or dates: in the runs of that night, else of the last
    one, that hold such frames. A run is told whole.
    """
    from runlog.actions.night import morning

    engine = session.engine()
    chosen = session.selection(engine, asked | {"night": date})
    with times_in(IN_UTC if as_json or as_csv else session.zone(engine)):
        told = morning(engine, session.settings, chosen)
        if not (as_json or as_csv):
            for report in told.reports:
                show_report(report)
            show_to_go(told)
            if date is None and not any(asked.values()):
                _point_on(session, engine, told)
            return 0
    rows = [_row(report) for report in told.reports]
    if as_json:
        # One rig is the rule: its keys stand at the top; rows has every rig's.
        from runlog.actions.totals import to_go_rows

        to_go = {"to_go": to_go_rows(told.totals, told.targets)[0]}
        echo_json("runlog.night/1", rows[0] | to_go | {"rows": rows})
        return 0
    echo_csv(rows, list(rows[0]))
    return 0


def _point_on(session: Session, engine: "Database", told: "Morning") -> None:
    short = {(t.target, t.filter) for report in told.reports for t in report.added if t.to_go_s}
    if short:
        talk(*pointers_to(session, engine, short))


def pointers_to(session: Session, engine: "Database", short: set[tuple[str, str]]) -> list[str]:
    """Say what the coming night gives the goals that the last one served."""
    from datetime import UTC, datetime

    from runlog.actions.pointers import pointers

    return pointers(engine, session.settings, datetime.now(UTC), short)


def _row(report: "NightReport") -> dict[str, object]:
    """Write a report with the keys of `runlog.night/1`."""
    from runlog.actions.totals import row_of
    from runlog.core.ledger.effective_words import effective_note

    dark, pace = report.dark, report.pace
    return {
        "night": report.night,
        "night_from": report.night_from,
        "rig": report.rig,
        "dark_start_utc": dark[0] if dark else None,
        "dark_end_utc": dark[1] if dark else None,
        "first_utc": pace.first if pace else None,
        "last_utc": pace.last if pace else None,
        "open_shutter_s": pace.open_shutter_s if pace else 0.0,
        "elapsed_s": pace.elapsed_s if pace else 0.0,
        "overhead_median_s": pace.overhead_median_s if pace else None,
        "counts": {grade.value: count for grade, count in report.counts.items()},
        "added": [row_of(total) for total in report.added],
        "effective_note": effective_note(report.worth, report.night),
        "lost": report.lost,
        "dark_lost": say.dark_lost(report.events),
        "verdicts": {
            part.value: {"verdict": found.verdict.value, "evidence": found.evidence}
            for part, found in report.verdicts.items()
        },
        "noted": list(report.notes),
        "to_check": list(map(str, report.to_check)),
        "events": list(map(_event_row, report.events)),
    }


def _event_row(event: "NightEvent") -> dict[str, object]:
    return {
        "kind": event.kind,
        "start_utc": event.start,
        "end_utc": event.end,
        "first": event.first_path,
        "last": event.last_path,
        "frames": event.frames,
        "cost_s": event.cost_s,
        "text": event.text,
    }


def show_report(report: "NightReport") -> None:
    """Print one run for a person half awake: the outcome first, then what happened and why."""
    from rich.text import Text

    from runlog.actions.totals import row_of

    show(
        Text(f"Night of {report.night or 'unknown date'}", style="bold"),
        Text(safe(report.rig), style="dim"),
        Text(safe_lines("\n".join(say.outcome(report)))),
    )
    if report.events:
        show(_heading(f"\n{say.what_happened(report.events)}"), *map(_event, report.events))
    show(_heading(f"\n{say.PARTS}"), *starmap(_verdict, report.verdicts.items()))
    if report.to_check:
        show(_heading(f"\n{say.TO_CHECK}"), *map(_to_check, report.to_check))
    if report.added:
        rows = [row_of(total) for total in report.added]
        show(
            _heading(f"\n{say.ADDED}"), table(spoken(rows), with_ungraded(ADDED, rows), ADDED_DROP)
        )
    if report.questions:
        show(_heading(say.QUESTIONS))
        show(*(Text(f"  {safe(question)}") for question in report.questions))


def show_to_go(told: "Morning") -> None:
    """End with what is still to go of the night's targets, over all nights, or how to set goals."""
    from runlog.actions.totals import to_go_rows

    rows, aimless = to_go_rows(told.totals, told.targets)
    if not rows and not aimless:
        return
    show(_heading(f"\n{say.TO_GO}"))
    if rows:
        show(table(rows, TO_GO_SHOWN, TO_GO_DROP))
    if aimless:
        show(*map(_plain_line, say.no_goals(aimless, any_set=bool(rows))))


def _plain_line(words: str) -> "Text":
    from rich.text import Text

    return Text(safe(words))


def _heading(words: str) -> "Text":
    from rich.text import Text

    return Text(words, style="bold")


@dataclass(frozen=True, slots=True)
class Hanging:
    """Words behind what they are about; where they are long they go on below themselves."""

    head: "Text"
    words: str

    def __rich_console__(
        self, console: "Console", options: "ConsoleOptions"
    ) -> "Iterator[RenderableType]":
        """Wrap at the width there is."""
        from rich.text import Text

        indent = self.head.cell_len
        head = self.head
        for line in wrapped(self.words, max(options.max_width - indent, LEAST_WIDTH)):
            yield Text.assemble(head, line)
            head = Text(" " * indent)


def _event(event: "NightEvent") -> Hanging:
    from rich.text import Text

    return Hanging(Text(f"  {say.when(event):<13}"), safe(event.text + say.cost(event)))


def _verdict(part: "Part", found: "PartVerdict") -> Hanging:
    from rich.text import Text

    head = Text(f"  {part.value:<9} ")
    head.append(f"{found.verdict.value:<8}", style=OPINION_STYLE[found.verdict])
    return Hanging(head, safe(common.beside(found.verdict, found.evidence)))


def _to_check(check: "ToCheck") -> Hanging:
    from rich.text import Text

    return Hanging(Text(f"  {check.part.value:<9} "), safe(check.words))
