"""Walk folders for frames; one bad folder, loop or name never stops the walk."""

import os
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

from runlog.ingest.paths import slashed

FITS_SUFFIXES = (b".fit", b".fits", b".fts")
PACKED_SUFFIXES = (b".gz", b".fz", b".bz2")
FOREIGN_SUFFIXES = (b".xz", b".zip", b".z", b".zst", b".7z", b".rar", b".lz4")  # not unpacked
# Notes and logs that lie beside frames; everything else that is large may be somebody's frames.
SIDECAR_SUFFIXES = frozenset(
    b".txt .log .csv .json .xml .ini .toml .yaml .yml .md .html .htm .pdf .py .sh .bat .cfg .conf "
    b".sqlite .db .sqlite-wal .sqlite-shm".split()
)
PICTURE_BYTES = 256 * 1024
# What a database holds: 64 bits of nanoseconds, from 1677 to April 2262. Disks know longer times.
EARLIEST_NS, LATEST_NS = -(1 << 63), (1 << 63) - 1
EMPTY = (
    "is empty here: is its disk or share mounted? If you emptied it yourself, leave a file in it, "
    "such as emptied.txt: then its frames count as missing"
)
CUT_TO_NS = (100, 10**3, 10**6, 10**9)


@dataclass(frozen=True, slots=True)
class FoundFile:
    """A file that may hold a frame."""

    path: bytes
    size: int
    mtime_ns: int


@dataclass(slots=True)
class Walk:
    """What a walk saw besides frames; filled while it goes on."""

    other_formats: Counter[str] = field(default_factory=Counter)
    packed_otherwise: Counter[str] = field(default_factory=Counter)
    problems: list[tuple[bytes, str]] = field(default_factory=list)
    go_on: Callable[[int], bool] = lambda _: True  # asked with how much was looked at
    _seen: set[tuple[int, int]] = field(default_factory=set)
    _looked_at: int = 0  # files and folders of every kind: most may be no frames

    def files(self, roots: Iterable[bytes]) -> Iterator[FoundFile]:
        """Yield every frame file under the roots, folder by folder, names in order.

        It ends early when `go_on` says so.
        """
        for root in roots:
            if os.path.isdir(root):
                yield from self._folder(root)
            else:
                yield from self._single(root)

    def _single(self, path: bytes) -> Iterator[FoundFile]:
        try:
            status = os.stat(path)
        except FileNotFoundError:
            self.problems.append((path, "is not there (is its disk plugged in?)"))
            return
        except OSError as error:
            self.problems.append((path, error.strerror or str(error)))
            return
        yield FoundFile(slashed(path), status.st_size, changed_ns(status))

    def _folder(self, folder: bytes) -> Iterator[FoundFile]:
        stack = [folder]
        while stack:
            inside: list[bytes] = []
            for entry in self._entries(stack.pop()):
                self._looked_at += 1
                if not self.go_on(self._looked_at):
                    return
                found = self._look(entry, inside)
                if found is not None:
                    yield found
            stack.extend(reversed(inside))

    def _entries(self, folder: bytes) -> "list[os.DirEntry[bytes]]":
        try:
            status = os.stat(folder)
            if (status.st_dev, status.st_ino) in self._seen:  # a link back up, or a second way in
                return []
            self._seen.add((status.st_dev, status.st_ino))
            with os.scandir(folder) as entries:
                return sorted(entries, key=lambda entry: entry.name)
        except OSError as error:
            self.problems.append((folder, f"folder cannot be read ({error.strerror})"))
            return []

    def _look(self, entry: "os.DirEntry[bytes]", inside: list[bytes]) -> FoundFile | None:
        try:
            if entry.is_dir():
                if not entry.name.startswith(b"."):
                    inside.append(entry.path)
                return None
            return self._file(entry)
        except OSError as error:
            self.problems.append((entry.path, f"cannot be looked at ({error.strerror})"))
            return None

    def _file(self, entry: "os.DirEntry[bytes]") -> FoundFile | None:
        if entry.name.startswith(b"."):  # hidden: half-copied files and file-system leftovers
            return None
        if is_fits_name(entry.name):
            status = entry.stat()
            return FoundFile(slashed(entry.path), status.st_size, changed_ns(status))
        if is_packed_otherwise(entry.name):
            self.packed_otherwise[os.fsdecode(os.path.splitext(entry.name)[1].lower())] += 1
            return None
        suffix = os.path.splitext(entry.name)[1].lower()
        if suffix not in SIDECAR_SUFFIXES and entry.stat().st_size >= PICTURE_BYTES:
            numbered = suffix[1:].isdigit()  # of which a folder may hold any number
            self.other_formats["numbered" if numbered else os.fsdecode(suffix) or "no suffix"] += 1
        return None


def is_gone(path: bytes) -> bool:
    """Tell whether nothing has this name; what may not be looked at may well be there."""
    try:
        os.lstat(path)
    except (FileNotFoundError, NotADirectoryError):
        return True
    except OSError:
        return False
    return False


def is_empty(folder: bytes) -> bool:
    """Tell whether no file lies below a folder, as where its disk is not mounted.

    Hidden files and lost+found are the file system's own; what cannot be looked at may hold files.
    """
    try:
        with os.scandir(folder) as entries:
            return all(map(_holds_no_file, entries))
    except OSError:
        return False


def _holds_no_file(entry: "os.DirEntry[bytes]") -> bool:
    if entry.name.startswith(b".") or entry.name == b"lost+found":
        return True
    return entry.is_dir(follow_symlinks=False) and is_empty(entry.path)


def changed_ns(status: os.stat_result) -> int:
    """Give when a file was last changed, as near as a database can hold it."""
    return min(max(status.st_mtime_ns, EARLIEST_NS), LATEST_NS)


def same_time(one_ns: int, other_ns: int) -> bool:
    """Tell whether two times of change may be one, told by disks or networks to other digits.

    The same file's time reaches one machine to the nanosecond and another to 100 ns or a second.
    """
    if one_ns == other_ns or min(one_ns, other_ns) < 0:
        return one_ns == other_ns
    return any(
        0 in (one_ns % unit, other_ns % unit) and one_ns // unit == other_ns // unit
        for unit in CUT_TO_NS
    )


def is_packed_otherwise(name: bytes) -> bool:
    """Tell a FITS file packed in a way that is not read (.fits.xz), by its name."""
    inner, suffix = os.path.splitext(name.lower())
    return suffix in FOREIGN_SUFFIXES and is_fits_name(inner)


def is_fits_name(name: bytes) -> bool:
    """Tell a FITS file by its name: .fit .fits .fts in any case, each also .gz, .fz and .bz2."""
    lower = name.lower()
    for packed in PACKED_SUFFIXES:
        lower = lower.removesuffix(packed)
    return lower.endswith(FITS_SUFFIXES)
