"""See who opens files for writing: inotify(7), told of each file closed that could be written."""

import ctypes
import os
import struct
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType

IN_MODIFY, IN_ATTRIB, IN_CLOSE_WRITE = 0x2, 0x4, 0x8
IN_MOVED, IN_CREATE, IN_DELETE = 0xC0, 0x100, 0x200
IN_NONBLOCK = 0x800
ANY = IN_MODIFY | IN_ATTRIB | IN_CLOSE_WRITE | IN_MOVED | IN_CREATE | IN_DELETE
HEAD = struct.Struct("iIII")


class Writes:
    """Watches folders and all below; `seen` names what was written to, made, moved or taken away.

    Where the system has no inotify, nothing is seen: contents are compared beside.
    """

    def __init__(self, folders: Iterable[Path]) -> None:
        self.seen: list[str] = []
        self._folders = folders
        self._names: dict[int, Path] = {}
        self._fd = -1

    def __enter__(self) -> "Writes":
        libc = ctypes.CDLL(None, use_errno=True)
        if not hasattr(libc, "inotify_init1"):
            return self
        self._fd = libc.inotify_init1(IN_NONBLOCK)
        for folder in self._folders:
            for place in (folder, *(p for p in folder.rglob("*") if p.is_dir())):
                watch = libc.inotify_add_watch(self._fd, os.fsencode(place), ANY)
                assert watch >= 0, os.strerror(ctypes.get_errno())
                self._names[watch] = place
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: object, _trace: TracebackType | None
    ) -> None:
        if self._fd < 0:
            return
        try:
            while True:
                self._take(os.read(self._fd, 1 << 16))
        except BlockingIOError:
            os.close(self._fd)

    def _take(self, events: bytes) -> None:
        at = 0
        while at < len(events):
            watch, mask, _, length = HEAD.unpack_from(events, at)
            name = events[at + HEAD.size :][:length].rstrip(b"\0")
            self.seen.append(f"{self._names.get(watch)}/{os.fsdecode(name)}: {mask:#x}")
            at += HEAD.size + length
