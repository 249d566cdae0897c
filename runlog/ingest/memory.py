"""How much memory a frame may take, and a worker that cannot take more."""

import sys

import psutil

SHARE = 0.8  # of the free memory: a live capture may share the machine


def free_memory_bytes() -> int:
    """Ask the system how much memory can be taken without swapping."""
    return int(psutil.virtual_memory().available)


def share_bytes(workers: int) -> int:
    """Give what each of some workers may take, so that all of them together fit."""
    return int(SHARE * free_memory_bytes() / workers)


def bind(most_bytes: int) -> None:
    """Let this process take so much more memory than it has, and refuse what is beyond.

    A file that unpacks to more, whatever it promised, then fails by itself. Only Linux counts
    what a process maps for itself (since 4.7); elsewhere what a header promises is all that bounds.
    """
    if sys.platform == "linux":
        import resource

        _, hard = resource.getrlimit(resource.RLIMIT_DATA)
        most = _taken_bytes() + most_bytes
        if hard != resource.RLIM_INFINITY:
            most = min(most, hard)
        resource.setrlimit(resource.RLIMIT_DATA, (most, hard))


def room_bytes() -> int:
    """Give how much more this process can take."""
    free = free_memory_bytes()
    if sys.platform == "linux":
        import resource

        soft, _ = resource.getrlimit(resource.RLIMIT_DATA)
        if soft != resource.RLIM_INFINITY:
            return max(min(free, soft - _taken_bytes()), 0)
    return free


def _taken_bytes() -> int:
    return int(psutil.Process().memory_info().data)
