"""Put a page where a person wants it: whole or not at all, and over nothing that is not ours."""

import os
import tempfile
from pathlib import Path

from runlog import stopping
from runlog.errors import UsageError

HEAD_BYTES = 4096  # in which our mark stands
FITS_STARTS = (b"SIMPLE  =", b"XTENSION=")  # FITS 4.0, 4.4.1


def write_page(path: Path, body: bytes, mark: bytes, *, force: bool = False) -> None:
    """Write a file by way of another beside it; what lies there stays unless it is ours.

    A file that holds FITS is never written over, whatever is asked.
    """
    goal = Path(os.path.realpath(path))  # a link stays a link
    _refuse(goal, path, mark, force)
    try:
        _replace(goal, body)
    except OSError as error:
        raise UsageError(
            f"The page could not be written ({error.strerror or error})",
            os.fspath(path),
            cure="See that the folder may be written and its disk has room, or name another: -o",
        ) from None


def _refuse(goal: Path, named: Path, mark: bytes, force: bool) -> None:
    where = os.fspath(named)
    if goal.is_dir():
        raise UsageError("This is a folder, not a file", where)
    if not goal.parent.is_dir():
        raise UsageError("There is no such folder", os.fspath(goal.parent), cure="Make it first")
    if not os.path.lexists(goal):
        return
    if not goal.is_file():
        raise UsageError("This is no file", where, cure="Name another: -o")
    head = _head(goal)
    if head.startswith(FITS_STARTS):
        raise UsageError(
            "A FITS file lies there; it was left alone", where, cure="Name another: -o"
        )
    if mark not in head and head and not force:
        cure = "Name another, or write over it: --force"
        raise UsageError("A file that is no page of runlog lies there", where, cure=cure)


def _head(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(HEAD_BYTES)
    except OSError as error:
        raise UsageError(
            f"What lies there cannot be read ({error.strerror}); it was left alone", str(path)
        ) from None


def _replace(goal: Path, body: bytes) -> None:
    handle, temporary = tempfile.mkstemp(prefix=f".{goal.name[:40]}.", dir=goal.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(body)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, 0o666 & ~_umask())
        with stopping.undisturbed():
            os.replace(temporary, goal)
    except BaseException:
        os.unlink(temporary)
        raise


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
