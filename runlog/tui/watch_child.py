"""The watch as a process of its own: `python -m runlog.tui.watch_child [CONFIG]`."""

import sys

from runlog.actions.open import Database
from runlog.actions.scan_report import ScanReport
from runlog.actions.watch import Voice, Watch
from runlog.actions.watch_events import Event
from runlog.actions.zone import zone_of_site
from runlog.config import Settings
from runlog.core.times import times_in
from runlog.ingest.kept import Worker
from runlog.tui.child import Stop, serve, tell


def _event(event: Event) -> None:
    tell(kind=event.kind.value, text=event.text)


def _began(report: ScanReport) -> None:
    tell(kind="began", new=report.new)


def watch(database: Database, settings: Settings, stop: Stop) -> None:
    """Watch the folders scanned before."""
    with times_in(zone_of_site(database, settings)), Worker() as worker:
        voice = Voice(_event, scanned=_began)
        Watch(database, settings, (), voice, worker).run(stop)


if __name__ == "__main__":
    sys.exit(serve(watch))
