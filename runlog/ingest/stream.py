"""The bytes of a file in order, unpacked where it is packed, never further than is asked for."""

import bz2
import gzip
import os
import stat
import zlib
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from typing import BinaryIO

from runlog.core.failures import CHANGED, NOT_SUPPORTED
from runlog.errors import CrampedError, FrameError, PassingError

PIECE_BYTES = 1 << 20
SIGNATURE = b"SIMPLE  ="
GZIP_MAGIC = b"\x1f\x8b"
BZIP2_MAGIC = b"BZh"
# Packings that are not read: first bytes and name.
FOREIGN = (
    (b"\xfd7zXZ\x00", "xz"),
    (b"PK\x03\x04", "zip"),
    (b"\x1f\x9d", "compress (.Z)"),
    (b"\x28\xb5\x2f\xfd", "zstd"),
    (b"7z\xbc\xaf\x27\x1c", "7z"),
    (b"Rar!", "rar"),
)


_Source = BinaryIO | gzip.GzipFile | bz2.BZ2File


class Stream:
    """A file read from front to back."""

    def __init__(self, raw: BinaryIO, source: _Source, packed: bool) -> None:
        self._raw, self._source, self.packed = raw, source, packed
        self.at = 0  # how far it is read, unpacked
        self._begun = _state(raw)

    @property
    def stored_bytes(self) -> int | None:
        """Give the length of the content; None where only unpacking would tell."""
        return None if self.packed else os.fstat(self._raw.fileno()).st_size

    def check_unchanged(self) -> None:
        """Refuse a file that was written to since it was opened: half of it may be another's."""
        if _state(self._raw) != self._begun:
            raise PassingError(CHANGED)

    def read(self, count: int) -> bytes:
        """Read some bytes; fewer only where the file ends."""
        with refusal():
            found = self._source.read(count)
        self.at += len(found)
        return found

    def go_to(self, offset: int) -> None:
        """Go to an offset; only a packed file is read for that, from its start to go back."""
        if self.stored_bytes is not None:
            self.at = min(offset, self.stored_bytes)
            with refusal():
                self._raw.seek(self.at)
            return
        if offset < self.at:
            with refusal():
                self._source.seek(0)
            self.at = 0
        while self.at < offset and self.read(min(PIECE_BYTES, offset - self.at)):
            pass

    def verify(self, most: int) -> bool:
        """Read on to the end, where a packed file keeps its check sum; False if it is too far.

        Damaged pixels must not pass, and what follows them must not hold up a scan: bytes beyond
        `most` are left unread, and the check sum with them.
        """
        until = self.at + most
        while self.packed and self.at < until:
            if not self.read(PIECE_BYTES):
                return True
        return not self.packed


def _state(raw: BinaryIO) -> tuple[int, int]:
    status = os.fstat(raw.fileno())
    return status.st_size, status.st_mtime_ns


@contextmanager
def open_stream(path: bytes) -> Iterator[Stream]:
    """Open a file that begins as FITS files do, at its first byte.

    Raises
    ------
    FrameError
        When it does not; PassingError when another try may succeed.
    """
    with ExitStack() as stack:
        with refusal("cannot be opened"):
            _check_file(os.stat(path))  # to open a device may do something
            # Bytes names may hold anything; the libraries take an open file.
            raw = stack.enter_context(open(_at_once(path), "rb"))
            _check_file(os.fstat(raw.fileno()))  # it may have been another a moment ago
        with refusal():
            magic = raw.read(len(SIGNATURE))
        _refuse_foreign(magic)
        raw.seek(0)
        source = _unpacked(raw, magic)
        stack.callback(source.close)
        with refusal():
            start = source.read(len(SIGNATURE))
            if start != SIGNATURE:
                source.read(PIECE_BYTES)  # damage to a packed file shows at the end of a piece
            _check_signature(start)
            source.seek(0)
        yield Stream(raw, source, packed=source is not raw)


def _check_file(status: os.stat_result) -> None:
    if not stat.S_ISREG(status.st_mode):
        raise FrameError("is not a file")


def _at_once(path: bytes) -> int:
    """Open to read, without waiting: a pipe would make us wait for ever."""
    flags = os.O_RDONLY | getattr(os, "O_BINARY", 0)  # of Windows
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def _unpacked(raw: BinaryIO, magic: bytes) -> _Source:
    if magic.startswith(GZIP_MAGIC):
        return gzip.GzipFile(fileobj=raw)
    return bz2.BZ2File(raw) if magic.startswith(BZIP2_MAGIC) else raw


def _refuse_foreign(start: bytes) -> None:
    for magic, name in FOREIGN:
        if start.startswith(magic):
            raise FrameError(f"is packed by {name}, which is {NOT_SUPPORTED}: unpack it first")


def _check_signature(start: bytes) -> None:
    if not start:
        raise FrameError("is empty")
    if start != SIGNATURE:
        raise FrameError("is not FITS (it does not begin with SIMPLE)")


@contextmanager
def refusal(what: str = "cannot be read") -> Iterator[None]:
    """Turn what reading and unpacking raise, and only that, into words for a person."""
    try:
        yield
    except EOFError as error:
        raise FrameError("is cut short or corrupt: its packed data end too early") from error
    except zlib.error as error:
        raise FrameError("is damaged: its packed data cannot be unpacked") from error
    except MemoryError as error:
        raise CrampedError from error
    except OSError as error:
        if error.errno is not None:  # numbered by the system: no permission, a bad disk
            raise PassingError(f"{what} ({error.strerror})") from error
        raise FrameError("is damaged: its packed data do not fit their check sum") from error
