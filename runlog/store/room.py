"""Room on the disk that a database in a file lies on."""

import shutil
from contextlib import suppress
from pathlib import Path

from sqlalchemy import Engine

from runlog.store.engine import file_of


def database_folder(engine: Engine) -> Path | None:
    """Give the folder of a database that is a file of this machine; None of any other."""
    file = file_of(engine)
    return file.absolute().parent if file else None


def room(folder: Path) -> int | None:
    """Count the free bytes on a folder's disk; None where that cannot be told."""
    with suppress(OSError):
        return shutil.disk_usage(folder).free
    return None


def disk_of(folder: Path) -> int | None:
    """Name the disk of a folder; None where that cannot be told."""
    with suppress(OSError):
        return folder.stat().st_dev
    return None
