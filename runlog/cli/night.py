"""runlog night: the morning summary."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from runlog.cli.choosing import choosing
from runlog.cli.common import Session, echo_csv, echo_json, listing, safe, show, table, with_session
from runlog.cli.totals import SHOWN as TOTALS_SHOWN
from runlog.core.columns import clock, hours, plural, said

if TYPE_CHECKING:
    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.text import Text

    from runlog.actions.night import NightReport

ADDED = [key for key in TOTALS_SHOWN if key not in ("nights", "goal_s", "to_go_s", "frames_to_go")]
LEAST_WIDTH = 24  # cells for words, however narrow the terminal
MOMENTS = ("refocus", "flip", "jump", "moonrise", "moonset")  # over as soon as they begin
# Okabe and Ito 2008; the word always stands beside the colour.
OPINION_STYLE = {"good": "#009E73", "fair": "#E69F00", "poor": "#D55E00", "unknown": "dim"}


@click.command("night")
# DATE is the night; all else chooses which night, which is then told whole.
@click.argument("date", required=False)
@choosing(without="night")
@listing
@with_session
def command(
    session: Session, date: str | None, as_json: bool, as_csv: bool, asked: dict[str, Any]
) -> int:
    """Show what happened in the night of DATE (the evening's date; the last night by default).

    With a target, filter, rig, grade, fault or dates: in the runs of that night, else of the last
    one, that hold such frames. A run is told whole.
    """
    from runlog.actions.night import night_reports

    engine = session.engine()
    chosen = session.selection(engine, asked | {"night": date})
    reports = night_reports(engine, session.settings, chosen)
    if as_json:
        # One rig is the rule: its keys stand at the top; rows has every rig's.
        echo_json("runlog.night/1", reports[0].row | {"rows": [r.row for r in reports]})
        return 0
    if as_csv:
        echo_csv([r.row for r in reports], list(reports[0].row))
        return 0
    for report in reports:
        show_report(report)
    return 0


def show_report(report: "NightReport") -> None:
    """Print one run for a person half awake: the outcome first, then what happened and why."""
    from rich.text import Text

    row = report.row
    show(
        Text(f"Night of {row['night'] or 'unknown date'}", style="bold"),
        Text(safe(row["rig"]), style="dim"),
        Text("\n".join(_outcome(report))),
    )
    if row["events"]:
        show(Text("\nWhat happened (UTC)", style="bold"), *map(_event, row["events"]))
    show(Text("\nPart by part", style="bold"), *_verdicts(row["verdicts"]))
    if report.story.to_check:
        show(Text("\nTo check before the next night", style="bold"))
        show(*map(_to_check, report.story.to_check))
    if row["added"]:
        show(Text("\nAdded to the totals", style="bold"), table(row["added"], ADDED))
    if report.questions:
        show(Text("Doubtful in the headers", style="bold"))
        show(*(Text(f"  {safe(question)}") for question in report.questions))


def _outcome(report: "NightReport") -> Iterator[str]:
    row, counts = report.row, report.row["counts"]
    lights = sum(counts.values())
    added = {key: sum(r[key] for r in row["added"]) for key in ("kept_s", "logged_s")}
    listed = ", ".join(f"{n} {grade}" for grade, n in counts.items() if n)
    if not lights:
        copies = ", only copies of exposures that count elsewhere" if report.copies else ""
        yield f"no light frames{copies}"
    else:
        yield f"{plural(lights, 'light frame')}: {listed}"
        yield f"{hours(added['kept_s'])} kept of {hours(added['logged_s'])}{_effective(row)}"
    if row["lost"]:
        causes = (f"{hours(seconds)} {cause}" for cause, seconds in row["lost"].items())
        yield f"{hours(sum(row['lost'].values()))} not kept: {', '.join(causes)}"
    if report.dark:
        start, end = report.dark
        length = hours((end - start).total_seconds())
        yield f"dark from {clock(start)} to {clock(end)} UTC ({length})"
    if report.doubt:
        yield f"dark from when to when is {report.doubt}"
    if row["first_utc"]:
        yield _taken(row)
    if report.others:
        yield "also: " + ", ".join(f"{n} {kind}" for kind, n in report.others.most_common())


def _taken(row: dict[str, Any]) -> str:
    """Say when frames were taken; how long the shutter was open only where the headers tell."""
    when = f"frames from {clock(row['first_utc'])} to {clock(row['last_utc'])} UTC"
    if not row["open_shutter_s"]:
        return when
    return f"{when}, shutter open {row['open_shutter_s'] / row['elapsed_s']:.0%} of that time"


def _effective(row: dict[str, Any]) -> str:
    known = [r["effective_s"] for r in row["added"] if r["effective_s"] is not None]
    return f"; worth {hours(sum(known))} at the reference frame's depth" if known else ""


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
        for line in Text(self.words).wrap(console, max(options.max_width - indent, LEAST_WIDTH)):
            line.rstrip()
            yield Text.assemble(head, line)
            head = Text(" " * indent)


def _event(event: dict[str, Any]) -> Hanging:
    from rich.text import Text

    when = clock(event["start_utc"])
    words = safe(event["text"])
    if event["kind"] not in MOMENTS:
        when = f"{when}–{clock(event['end_utc'])}"
        frames, cost_s = event["frames"], event["cost_s"]
        counted = [f"{frames} frame{'s' * (frames != 1)}"] if frames else []
        cost = [f"{hours(cost_s)} not kept"] if cost_s else []
        words = f"{words} ({', '.join(counted + cost)})"
    return Hanging(Text(f"  {when:<13}"), words)


def _verdicts(verdicts: dict[str, dict[str, str]]) -> Iterator[Hanging]:
    from rich.text import Text

    for part, found in verdicts.items():
        head = Text(f"  {part:<9} ")
        head.append(f"{found['verdict']:<8}", style=OPINION_STYLE[found["verdict"]])
        yield Hanging(head, safe(said(found["verdict"], found["evidence"])))


def _to_check(line: str) -> Hanging:
    from rich.text import Text

    part, _, words = line.partition(": ")
    return Hanging(Text(f"  {part:<9} "), safe(words))
