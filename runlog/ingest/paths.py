"""How a path is written down: as bytes, absolute, its parts parted by / on every system."""

import os


def stored_path(path: str | bytes) -> bytes:
    """Give a path as it is stored; any name of a file is legal, also one that is not UTF-8."""
    return slashed(os.fsencode(os.path.abspath(path)))


def slashed(path: bytes) -> bytes:
    """Part the parts of a path by /, which every system understands."""
    return path if os.sep == "/" else path.replace(os.fsencode(os.sep), b"/")
