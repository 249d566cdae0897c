"""Let `python -m runlog` be the command, and hear Ctrl-C before anything else is imported."""

from runlog.stopping import listen


def main() -> None:
    """Run the command."""
    listen()
    from runlog.cli import main as run

    run()


if __name__ == "__main__":
    main()
