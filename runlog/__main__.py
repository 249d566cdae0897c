"""Let `python -m runlog` be the command, and hear Ctrl-C before anything else is imported."""

import gc
import signal

# What a command makes at its start stays: looking for garbage in it takes 5 to 8 % of its time.
YOUNG, MIDDLE, OLD = 50_000, 20, 50


def _ctrl_c(how: str) -> None:
    """Let Ctrl-C wait, or let it come; where it cannot be made to wait it may come at any time."""
    if hasattr(signal, "pthread_sigmask"):
        signal.pthread_sigmask(getattr(signal, how), [signal.SIGINT])


_ctrl_c("SIG_BLOCK")  # until it can be answered, in a moment: it is not lost

from runlog.stopping import listen  # noqa: E402


def main() -> None:
    """Run the command."""
    gc.set_threshold(YOUNG, MIDDLE, OLD)
    listen()
    _ctrl_c("SIG_UNBLOCK")
    from runlog.cli import main as run

    run()


if __name__ == "__main__":
    main()
