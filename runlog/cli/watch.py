"""runlog scan --watch: a line a frame on stdout, warnings on stderr, JSON Lines, a hook."""

import json
import os
import signal
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime
from types import FrameType
from typing import TYPE_CHECKING, Any

import click

from runlog.cli.common import Session, safe, talk
from runlog.core.plain_values import plain
from runlog.errors import ExitCode

if TYPE_CHECKING:
    from runlog.actions.hook import Hook
    from runlog.actions.scan_report import ScanReport
    from runlog.actions.watch_events import Event
    from runlog.core.times import Zone

SCHEMA = "runlog.watch/1"
ENDING = ("SIGINT", "SIGTERM")  # Ctrl-C, and a service that is stopped


def run_watch(
    session: Session,
    folders: tuple[bytes, ...],
    *,
    every_s: float | None,
    hook: str | None,
    as_json: bool,
) -> int:
    """Watch until Ctrl-C, which is the normal end."""
    with _asked_to_end() as stop, ExitStack() as stack:
        from runlog.actions.hook import Hook, argv_of
        from runlog.actions.watch import EVERY_S, Voice
        from runlog.actions.watch_start import watch
        from runlog.core.times import times_in
        from runlog.ingest.kept import Worker

        argv = argv_of(hook) if hook is not None else None
        engine = session.engine(make=True)
        caller = Hook(argv, talk) if argv else None
        if caller is not None:
            stack.callback(caller.close)
        worker = stack.enter_context(Worker())
        zone = session.zone(engine)
        speaker = _Speaker(zone, caller, as_json=as_json)
        voice = Voice(speaker.tell, talk, scanned=speaker.scanned)
        every_s = every_s or EVERY_S
        with times_in(zone):
            watch(engine, session.settings, folders, voice, worker, stop, every_s=every_s)
    return ExitCode.DONE


class _Speaker:
    """Says each event where it belongs."""

    def __init__(self, zone: "Zone", hook: "Hook | None", *, as_json: bool) -> None:
        self._zone, self._hook, self._as_json = zone, hook, as_json

    def scanned(self, report: "ScanReport") -> None:
        """Say what was caught up with."""
        from runlog.cli.scan import tell

        if report.new or report.failed or report.problems:
            tell(report)
        if not report.interrupted:
            named = self._zone.name(datetime.now(UTC))
            talk(f"Watching, times are in {named}; Ctrl-C ends it")

    def tell(self, event: "Event") -> None:
        """Write an event, ring for a warning, have the hook called."""
        text = json_line(event)
        if self._as_json:
            click.echo(text)
        elif event.kind == "frame":
            click.echo(safe(event.line(self._zone)))
        if event.is_warning or event.kind == "end":
            self._warn(event)
            if self._hook is not None:
                self._hook.call(event.kind.value, text + "\n")

    def _warn(self, event: "Event") -> None:
        bell = "\a" if os.isatty(2) and event.kind in ("alarm", "overdue") else ""
        click.echo(bell + safe(event.line(self._zone)), err=True)


def json_line(event: "Event") -> str:
    """Write an event as one line of JSON, which holds no control characters."""
    path = None if event.path is None else os.fsdecode(event.path)
    body: dict[str, Any] = {"schema": SCHEMA} | plain(event.body(path))
    return json.dumps(body).replace("\x7f", "\\u007f")


@contextmanager
def _asked_to_end() -> Iterator[Callable[[], bool]]:
    """Let the first Ctrl-C, or a service's end, end the watch after the frame in hand."""
    asked = False

    def ask(number: int, frame: FrameType | None) -> None:
        nonlocal asked
        if asked and callable(before["SIGINT"]):
            before["SIGINT"](number, frame)
        asked = True

    before = {name: signal.getsignal(getattr(signal, name)) for name in ENDING}
    for name in ENDING:
        signal.signal(getattr(signal, name), ask)
    try:
        yield lambda: asked
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)
