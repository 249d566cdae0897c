"""How much memory a frame may take."""

import psutil


def free_memory_bytes() -> int:
    """Ask the system how much memory can be taken without swapping."""
    return int(psutil.virtual_memory().available)
