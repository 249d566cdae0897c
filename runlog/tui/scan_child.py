"""The scan as a process of its own: one line of JSON a report on stdout, ended by its stdin.

Started by `scanning.py` as `python -m runlog.tui.scan_child DATABASE [CONFIG]`. When the interface
ends or asks for it, its end of our stdin closes, and the scan stops after the frames in hand.
"""

import json
import sys
import threading
import time
from pathlib import Path
from typing import Any

from runlog.actions.open import open_store
from runlog.actions.scan import scan
from runlog.actions.scan_report import Progress
from runlog.config import load_settings
from runlog.errors import RunlogError, hush_libraries

EVERY_S = 0.25  # progress more often than the eye follows only floods the pipe


def tell(**words: Any) -> None:
    """Write one report."""
    print(json.dumps(words), flush=True)  # noqa: T201 - stdout is this program's voice


def main(arguments: list[str]) -> int:
    """Scan the folders scanned before."""
    stopped = threading.Event()
    threading.Thread(target=_wait_for_end, args=(stopped,), daemon=True).start()
    last = 0.0

    def report(progress: Progress) -> None:
        nonlocal last
        if time.monotonic() - last >= EVERY_S:
            last = time.monotonic()
            tell(stage=progress.stage, done=progress.done, total=progress.total)

    try:
        settings = load_settings(Path(arguments[1]) if len(arguments) > 1 else None)
        engine = open_store(arguments[0], settings)
        result = scan(engine, settings, (), report=report, stop=stopped.is_set)
    except RunlogError as error:
        tell(error=str(error).replace("\n", " "))
        return int(error.exit_code)
    tell(new=result.new, failed=len(result.failed), interrupted=result.interrupted)
    return 0


def _wait_for_end(stopped: threading.Event) -> None:
    sys.stdin.buffer.read()
    stopped.set()


if __name__ == "__main__":
    hush_libraries()
    sys.exit(main(sys.argv[1:]))
