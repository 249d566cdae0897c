"""The watch as a process of its own: one line of JSON an event on stdout, ended by its stdin.

Started by `live.py` as `python -m runlog.tui.watch_child DATABASE [CONFIG]`. When the interface
ends or asks for it, its end of our stdin closes, and the watch ends after the frame in hand.
"""

import json
import sys
import threading
from pathlib import Path
from typing import Any

from runlog.actions.arrivals import Worker
from runlog.actions.open import open_store
from runlog.actions.scan_report import ScanReport
from runlog.actions.watch import Voice, Watch
from runlog.actions.watch_events import Event
from runlog.actions.zone import zone_of_site
from runlog.config import load_settings
from runlog.core.times import times_in
from runlog.errors import RunlogError, hush_libraries


def tell(**words: Any) -> None:
    """Write one report."""
    print(json.dumps(words), flush=True)  # noqa: T201 - stdout is this program's voice


def _event(event: Event) -> None:
    tell(kind=event.kind.value, text=event.text)


def _began(report: ScanReport) -> None:
    tell(kind="began", new=report.new)


def main(arguments: list[str]) -> int:
    """Watch the folders scanned before."""
    stopped = threading.Event()
    threading.Thread(target=_wait_for_end, args=(stopped,), daemon=True).start()
    try:
        settings = load_settings(Path(arguments[1]) if len(arguments) > 1 else None)
        engine = open_store(arguments[0], settings)
        with times_in(zone_of_site(engine, settings)), Worker() as worker:
            voice = Voice(_event, scanned=_began)
            Watch(engine, settings, (), voice, worker).run(stopped.is_set)
    except RunlogError as error:
        tell(error=str(error).replace("\n", " "))
        return int(error.exit_code)
    return 0


def _wait_for_end(stopped: threading.Event) -> None:
    sys.stdin.buffer.read()
    stopped.set()


if __name__ == "__main__":
    hush_libraries()
    sys.exit(main(sys.argv[1:]))
