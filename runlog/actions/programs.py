"""Other programs: started for a person, with nothing of our terminal."""

import subprocess  # nosec B404
import threading
from collections.abc import Sequence

from runlog.errors import UsageError


def start(command: Sequence[str]) -> None:
    """Start a program by a person's own config; it goes on when we end."""
    quiet = subprocess.DEVNULL
    try:  # what it is to open is one argument
        started = subprocess.Popen(  # nosec B603
            command, stdin=quiet, stdout=quiet, stderr=quiet, start_new_session=True
        )
    except OSError as error:
        raise UsageError(f"{command[0]} could not be started: {error.strerror}") from error
    threading.Thread(target=started.wait, daemon=True).start()  # none is left behind as a zombie
