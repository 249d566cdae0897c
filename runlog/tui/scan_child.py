"""The scan as a process of its own: `python -m runlog.tui.scan_child [CONFIG]`."""

import sys
import time

from runlog.actions.open import Database
from runlog.actions.scan import scan as scan_folders
from runlog.actions.scan_report import Progress
from runlog.config import Settings
from runlog.tui.child import Stop, serve, tell

EVERY_S = 0.25  # progress more often than the eye follows only floods the pipe


def scan(database: Database, settings: Settings, stop: Stop) -> None:
    """Scan the folders scanned before."""
    last = 0.0

    def report(progress: Progress) -> None:
        nonlocal last
        if time.monotonic() - last >= EVERY_S:
            last = time.monotonic()
            tell(stage=progress.stage, done=progress.done, total=progress.total)

    result = scan_folders(database, settings, (), report=report, stop=stop)
    tell(new=result.new, failed=len(result.failed), interrupted=result.interrupted)


if __name__ == "__main__":
    sys.exit(serve(scan))
