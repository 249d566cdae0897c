"""How much memory a frame may take."""

MEMINFO = "/proc/meminfo"
NO_LIMIT = 1 << 62  # where the system does not say


def free_memory_bytes() -> int:
    """Ask the system how much memory can be taken without swapping."""
    try:
        with open(MEMINFO, encoding="ascii") as lines:
            for line in lines:
                if line.startswith("MemAvailable:"):
                    return int(line.split()[1]) * 1024
    except OSError:
        pass  # no such file outside Linux
    return NO_LIMIT
