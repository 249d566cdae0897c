"""runlog scan: bring the database up to date with the frames in some folders."""

import os
import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import TYPE_CHECKING

import click

from runlog.cli.common import Session, echo_json, safe, talk, with_session
from runlog.cli.progress import progress_bar
from runlog.core.columns import hours, plural
from runlog.core.failures import NOT_STORED
from runlog.errors import ExitCode

if TYPE_CHECKING:
    from collections import Counter

    from runlog.actions.scan_report import ScanReport

COUNTS = ("new", "unchanged", "moved", "duplicate", "rewritten", "remeasured", "missing", "away")
NAMED = 20  # failures named one by one; the rest are counted


@click.command("scan")
@click.argument("folders", nargs=-1, type=click.Path(path_type=bytes), metavar="[FOLDER]...")
@click.option("--workers", type=click.IntRange(1, 256), help="Processes (default: by cores).")
@click.option("--cluster", metavar="ADDRESS", help="Read by the workers of a Dask cluster.")
@click.option(
    "--remeasure", is_flag=True, help="Measure again what an earlier version of runlog measured."
)
@click.option("--watch", is_flag=True, help="Go on: grade frames as they come, and warn.")
@click.option(
    "--every", type=click.FloatRange(0.2, 600), metavar="SECONDS", help="Watch so often (5)."
)
@click.option("--hook", metavar="COMMAND", help="Have warnings told to COMMAND while watching.")
@click.option("--json", "as_json", is_flag=True, help="Write the summary, or the events, as JSON.")
@with_session
def command(
    session: Session,
    folders: tuple[bytes, ...],
    workers: int | None,
    cluster: str | None,
    remeasure: bool,
    watch: bool,
    every: float | None,
    hook: str | None,
    as_json: bool,
) -> int:
    """Find new and changed frames, read, measure, store and grade them.

    Without FOLDER, looks again at the folders scanned before. A second scan reads only what is
    new. Files are only ever read, never changed. Ctrl-C stops cleanly; the next scan goes on.

    With --watch it goes on until Ctrl-C: a line a frame, warnings on stderr, and with --json a
    line of JSON an event. More: runlog guide watch
    """
    if watch:
        from runlog.cli.watch import run_watch

        if remeasure or workers or cluster:
            raise click.UsageError("--watch goes without --remeasure, --workers and --cluster.")
        return run_watch(session, folders, every_s=every, hook=hook, as_json=as_json)
    if every is not None or hook is not None:
        raise click.UsageError("--every and --hook go with --watch.")
    result = run_scan(session, folders, workers, cluster=cluster, remeasure=remeasure)
    if as_json:
        echo_json("runlog.scan/1", _body(result))
    tell(result)
    if result.interrupted:
        return ExitCode.INTERRUPTED
    some = result.failed or result.problems or result.doubts
    return ExitCode.SOME_FAILED if some else ExitCode.DONE


def run_scan(
    session: Session,
    folders: tuple[bytes, ...],
    workers: int | None = None,
    *,
    cluster: str | None = None,
    remeasure: bool = False,
) -> "ScanReport":
    """Scan with a progress bar on stderr."""
    with _gentle_stop() as stop:  # first: an interrupt raised among imports may get lost
        return _scan_until(stop, session, folders, workers, cluster, remeasure)


def _scan_until(
    stop: Callable[[], bool],
    session: Session,
    folders: tuple[bytes, ...],
    workers: int | None,
    cluster: str | None,
    remeasure: bool,
) -> "ScanReport":
    from runlog.actions.scan import scan
    from runlog.actions.scan_report import Progress

    engine = session.engine(make=True)
    with progress_bar() as bar:

        def report(progress: Progress) -> None:
            bar(progress.stage, progress.done, progress.total)

        return scan(
            engine,
            session.settings,
            folders,
            workers=workers,
            report=report,
            stop=stop,
            remeasure=remeasure,
            cluster=cluster,
            tell=talk,
        )


def _body(result: "ScanReport") -> dict[str, object]:
    counts = {name: getattr(result, name) for name in COUNTS}
    return counts | {
        "missing": result.missing + result.away,
        "failed": [{"path": os.fsdecode(p), "error": why} for p, why in result.failed],
        "problems": [{"path": os.fsdecode(p), "error": why} for p, why in result.problems],
        "doubts": [{"path": os.fsdecode(p), "error": why} for p, why in result.doubts],
        "kinds": dict(result.kinds),
        "other_formats": dict(result.other_formats),
        "packed_otherwise": dict(result.packed_otherwise),
        "seconds": round(result.seconds, 3),
        "interrupted": result.interrupted,
        "measured_before": result.measured_before,
        "in_reject_folders": result.in_reject_folders,
        "new_rigs": result.new_rigs,
        "history": result.history,
        "restated": [
            {"target": r.target, "filter": r.filter, "ratio": r.ratio, "why": r.why}
            for r in result.restated
        ],
    }


def tell(result: "ScanReport") -> None:
    """Sum a scan up in words, on stderr."""
    from runlog.actions.scan_report import your_rig

    counts = [f"{getattr(result, n)} {n}" for n in COUNTS if n == "new" or getattr(result, n)]
    failed = [f"{len(result.failed)} failed"] if result.failed else []
    ended = "Stopped early" if result.interrupted else "Scanned"
    talk(f"{ended} in {_took(result.seconds)}: {', '.join(counts + failed)}")
    if not (any(getattr(result, n) for n in COUNTS) or failed or result.problems):
        talk("  no FITS file lies there: is its disk or share mounted? What is known: runlog roots")
    if result.interrupted:
        talk("  what was stored stays; the same scan again goes on from there")
    if result.kinds:
        talk("  new: " + ", ".join(f"{n} {kind}" for kind, n in result.kinds.most_common()))
    if result.other_formats:
        talk(f"  not FITS, not read: {_counted(result.other_formats)}")
    if result.packed_otherwise:
        talk(
            "  FITS packed in a way that is not read (unpack them first): "
            f"{_counted(result.packed_otherwise)}"
        )
    talk(*(f"  {safe(your_rig(rig))}" for rig in result.new_rigs))
    talk(*(f"  {safe(line)}" for line in result.history))
    for one in result.restated:
        talk(f"  {safe(one.words)}")
    if result.measured_before:
        talk(
            f"  {plural(result.measured_before, 'frame')} "
            f"keep{'s' * (result.measured_before == 1)} what an earlier version of runlog "
            "measured; to measure them again, where their files are: runlog scan --remeasure"
        )
    if result.in_reject_folders:
        talk(
            f"  {plural(result.in_reject_folders, 'new frame')} "
            f"lie{'s' * (result.in_reject_folders == 1)} in folders named for rejects; "
            "to mark them so: runlog mark --from-folders"
        )
    _tell_paths("failed", result.failed)
    _tell_paths("problem", result.problems)
    _tell_paths("stored, but", result.doubts)


def _counted(suffixes: "Counter[str]") -> str:
    """List files by their suffixes; of those, too, there may be thousands."""
    listed = [f"{n} {suffix}" for suffix, n in suffixes.most_common(NAMED)]
    if len(suffixes) > NAMED:
        rest = suffixes.total() - sum(n for _, n in suffixes.most_common(NAMED))
        listed.append(f"{rest} of other kinds")
    return ", ".join(listed)


def _tell_paths(word: str, entries: list[tuple[bytes, str]]) -> None:
    for path, why in entries[:NAMED]:
        talk(f"  {word}: {safe(os.fsdecode(path))}: {safe(why)}")
    if len(entries) > NAMED:
        is_listed = word == "failed" and not any(why.startswith(NOT_STORED) for _, why in entries)
        listed = " (all of them: runlog frames --fault unreadable)" if is_listed else ""
        talk(f"  {word}: {len(entries) - NAMED} more{listed}")


def _took(seconds: float) -> str:
    return f"{seconds:.1f} s" if seconds < 60 else hours(seconds)


@contextmanager
def _gentle_stop() -> Iterator[Callable[[], bool]]:
    """Let the first Ctrl-C end the scan after the frames in hand, the second at once."""
    asked = False

    def ask(number: int, frame: FrameType | None) -> None:
        nonlocal asked
        if asked and callable(before):
            before(number, frame)
        asked = True
        # Not by a stream: Ctrl-C may have struck just as another line was written into it.
        os.write(2, b"Stopping after the frames in hand (Ctrl-C again: at once) ...\n")

    before = signal.getsignal(signal.SIGINT)
    signal.signal(signal.SIGINT, ask)
    try:
        yield lambda: asked
    finally:
        signal.signal(signal.SIGINT, before)
