"""What workers need on disk and in shared memory, named so that nothing of a killed scan stays.

Whoever is killed clears nothing away. So each process that starts workers has a folder of its own
for what is temporary, locked as long as it lives, and the next one removes those nobody holds.
"""

import multiprocessing
import os
import shutil
import stat
import sys
import tempfile
from contextlib import suppress
from pathlib import Path

PREFIX = "runlog-w-"
LOCK = "lock"
OURS = "runlog"
SEMAPHORES = Path("/dev/shm")  # nosec B108 - where Linux keeps them; nothing is made there


def claim() -> str | None:
    """Give the folder of this process, made and locked when it is first asked for.

    None on Windows, where no folder can be held so, and what workers share has no names.
    """
    own = _of_workers()
    if sys.platform != "win32" and OURS not in own:
        clear()
        own[OURS] = _locked()
        _name_workers(own[OURS])
    return own.get(OURS)


def temporary_folder() -> "tempfile.TemporaryDirectory[str]":
    """Make a temporary folder that does not stay when its maker is killed."""
    return tempfile.TemporaryDirectory(dir=claim())


def _of_workers() -> "dict[str, str]":
    # The library's own settings: it has no other word for where its sockets lie and how its
    # semaphores are called.
    settings: dict[str, str] = multiprocessing.current_process()._config  # type: ignore[attr-defined]
    return settings


def _name_workers(folder: str) -> None:
    from multiprocessing.util import Finalize

    _of_workers().update(tempdir=folder, semprefix=f"/{os.path.basename(folder)}")
    Finalize(None, shutil.rmtree, args=(folder, True), exitpriority=-100)


def _locked() -> str:
    """Make a folder and hold its lock until this process ends, however it ends."""
    while True:
        folder = tempfile.mkdtemp(prefix=PREFIX)
        if _lock(Path(folder), wait=True) is not None:
            return folder


def clear() -> None:
    """Remove what was left by processes that live no more."""
    for folder in Path(tempfile.gettempdir()).glob(f"{PREFIX}*"):
        lock = _lock(folder, wait=False) if _is_ours(folder) else None
        if lock is not None:
            for semaphore in SEMAPHORES.glob(f"sem.{folder.name}-*"):
                semaphore.unlink(missing_ok=True)
            shutil.rmtree(folder, ignore_errors=True)
            os.close(lock)


def _is_ours(folder: Path) -> bool:
    with suppress(OSError):
        status = folder.lstat()
        return stat.S_ISDIR(status.st_mode) and status.st_uid == os.geteuid()
    return False


def _lock(folder: Path, *, wait: bool) -> int | None:
    """Lock a folder; None where another holds it, or removed it meanwhile."""
    if sys.platform == "win32":
        return None
    import fcntl

    path = folder / LOCK
    try:
        held = os.open(path, os.O_CREAT | os.O_RDWR | os.O_NOFOLLOW, 0o600)
    except OSError:
        return None
    try:
        fcntl.flock(held, fcntl.LOCK_EX | (0 if wait else fcntl.LOCK_NB))
        if os.fstat(held).st_ino == path.stat().st_ino:
            return held
    except OSError:
        pass
    os.close(held)
    return None
