"""A folder that does not answer, as on a share whose server is lost; for root on Linux alone.

A file system in user space (the kernel's fuse.txt) is mounted over the folder, and its requests
are answered by nobody: who looks at it waits until it is let go.
"""

import ctypes
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.disks.world import may_mount

DEVICE = "/dev/fuse"
MNT_DETACH = 2


@contextmanager
def silent(folder: Path) -> Iterator[None]:
    """Let whoever looks at a folder wait for an answer."""
    libc = ctypes.CDLL(None, use_errno=True)
    asked, at = os.open(DEVICE, os.O_RDWR), os.fsencode(folder)
    options = f"fd={asked},rootmode=40000,user_id=0,group_id=0".encode()
    try:
        if libc.mount(b"silent", at, b"fuse", 0, options):
            raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()), str(folder))
        try:
            yield
        finally:
            libc.umount2(at, MNT_DETACH)
    finally:
        os.close(asked)  # who waits is told that nobody will answer


def may_be_silent() -> bool:
    """Tell whether a folder can be made so here."""
    return os.access(DEVICE, os.R_OK | os.W_OK) and may_mount()


def waits(pid: int) -> bool:
    """Tell whether a thread of a process waits for such a folder."""
    threads = Path(f"/proc/{pid}/task").glob("*/wchan")
    return any(path.read_text().startswith("fuse") for path in threads)
