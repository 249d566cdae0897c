"""runlog night: the morning summary."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import click

from runlog.cli.common import Session, echo_csv, echo_json, listing, safe, show, table, with_session
from runlog.cli.totals import SHOWN as TOTALS_SHOWN
from runlog.core.columns import clock, hours

if TYPE_CHECKING:
    from runlog.actions.night import NightReport

ADDED = [key for key in TOTALS_SHOWN if key not in ("nights", "goal_s", "to_go_s", "frames_to_go")]
# Okabe and Ito 2008; the word always stands beside the colour.
OPINION_STYLE = {"good": "#009E73", "fair": "#E69F00", "poor": "#D55E00", "unknown": "dim"}


@click.command("night")
@click.argument("date", required=False)
@listing
@with_session
def command(session: Session, date: str | None, as_json: bool, as_csv: bool) -> int:
    """Show what happened in the night of DATE (the evening's date; the last night by default)."""
    from runlog.actions.night import night_reports
    from runlog.actions.select import evening

    reports = night_reports(session.engine(), session.settings, evening(date) if date else None)
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
        show(Text("\nWhat happened (UTC)", style="bold"), *map(_event_line, row["events"]))
    show(Text("\nPart by part", style="bold"), *_verdict_lines(row["verdicts"]))
    if report.story.to_check:
        show(Text("\nTo check before the next night", style="bold"))
        show(*(Text(f"  {line}") for line in report.story.to_check))
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
    yield f"{lights} light frames: {listed or 'none'}"
    yield f"{hours(added['kept_s'])} kept of {hours(added['logged_s'])}"
    if report.dark:
        start, end = report.dark
        length = hours((end - start).total_seconds())
        yield f"dark from {clock(start)} to {clock(end)} UTC ({length})"
    if row["first_utc"]:
        share = row["open_shutter_s"] / row["elapsed_s"] if row["elapsed_s"] else 0
        yield (
            f"frames from {clock(row['first_utc'])} to {clock(row['last_utc'])} UTC, "
            f"shutter open {share:.0%} of that time"
        )
    if report.others:
        yield "also: " + ", ".join(f"{n} {kind}" for kind, n in report.others.most_common())


def _event_line(event: dict[str, Any]) -> Any:
    from rich.text import Text

    start, end = clock(event["start_utc"]), clock(event["end_utc"])
    when = f"{start}–{end}" if event["frames"] != 0 or start != end else start
    frames = f"{event['frames']} frame{'s' * (event['frames'] != 1)}"
    cost = f", {hours(event['cost_s'])} lost" if event["cost_s"] else ""
    return Text(f"  {when}  {safe(event['text'])} ({frames}{cost})")


def _verdict_lines(verdicts: dict[str, dict[str, str]]) -> Iterator[Any]:
    from rich.text import Text

    for part, found in verdicts.items():
        line = Text(f"  {part:<9} ")
        line.append(f"{found['verdict']:<8}", style=OPINION_STYLE[found["verdict"]])
        line.append(f" {safe(found['evidence'])}")
        yield line
