"""Let `python -m runlog` be the command."""

from runlog.cli import main

if __name__ == "__main__":
    main()
