"""Looking at folders again and again, at little cost: what is new, changed or gone."""

import os
import shutil
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from runlog.ingest.discover import FoundFile, Walk, changed_ns, is_empty, is_gone

SHARE_OF_TIME = 0.005  # of a core, that walking whole folders may take
AGAIN = 2  # looks at a folder after it changed: its time of change may be told in whole seconds
UNKNOWN_NS = -1  # when a folder changed that did not say so: it is to be listed when it does


@dataclass(slots=True)
class Look:
    """What one look found."""

    files: dict[bytes, FoundFile] = field(default_factory=dict)  # in the folders listed
    listed: set[bytes] = field(default_factory=set)  # folders whose every name was seen
    whole: bool = False  # every folder was walked
    away: dict[bytes, str] = field(default_factory=dict)  # folders asked for that cannot be read
    empty: set[bytes] = field(default_factory=set)  # folders asked for without any file
    free_bytes: dict[bytes, int] = field(default_factory=dict)  # on the disks of the folders


@dataclass(slots=True)
class _NotedWalk(Walk):
    """A walk that notes the folders it came through."""

    folders: dict[bytes, int] = field(default_factory=dict)  # with their times of change

    def _entries(self, folder: bytes) -> "list[os.DirEntry[bytes]]":
        try:
            changed = os.stat(folder).st_mtime_ns
        except OSError:
            changed = UNKNOWN_NS
        self.folders[folder] = changed
        return Walk._entries(self, folder)


class Folders:
    """Some folders, walked whole as often as that is cheap; else only those that changed."""

    def __init__(
        self, roots: Sequence[bytes], clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._roots, self._clock_s = roots, clock_s
        self._folders: dict[bytes, int] = dict.fromkeys(roots, UNKNOWN_NS)
        self._again: dict[bytes, int] = {}
        self._empty: set[bytes] = set()
        self._walked_s: float | None = None
        self._took_s = self._pause_s = 0.0

    def look(self, waiting: Iterable[bytes]) -> Look:
        """Look once; `waiting` are files that grow without their folder changing."""
        now = self._clock_s()
        look = Look()
        if self._walked_s is None or now - self._walked_s > self._pause_s:
            self._walk_all(look, now)
        else:
            changed = self._changed()
            self._walk(look, changed)
        if look.listed:  # else nothing changed
            self._empty = {root for root in self._roots if is_empty(root)}
        look.empty = self._empty
        for path in waiting:
            _look_at(path, look)
        for root in self._roots:
            try:
                os.stat(root)
                look.free_bytes[root] = shutil.disk_usage(root).free
            except OSError as error:
                look.away[root] = f"cannot be read ({error.strerror or error})"
        return look

    def _walk_all(self, look: Look, now_s: float) -> None:
        """Walk everything; one walk that hung says nothing of what the next will take."""
        self._walk(look, self._roots)
        look.whole = True
        took_s = self._clock_s() - now_s
        usual_s = took_s if self._walked_s is None else min(took_s, self._took_s)
        self._walked_s, self._took_s, self._pause_s = now_s, took_s, usual_s / SHARE_OF_TIME

    def _walk(self, look: Look, roots: Sequence[bytes]) -> None:
        walk = _NotedWalk()
        for found in walk.files(roots):
            look.files[found.path] = found
        look.listed |= walk.folders.keys() - {path for path, _ in walk.problems}
        self._folders |= walk.folders

    def _changed(self) -> list[bytes]:
        """List the folders to list again: those that changed at this look, or at the last ones."""
        found = []
        for folder, before in list(self._folders.items()):
            try:
                changed = os.stat(folder).st_mtime_ns
            except OSError:
                self._away(folder)
                continue
            if changed != before:
                self._again[folder] = AGAIN
            left = self._again.pop(folder, 0)
            if left:
                found.append(folder)
            if left > 1:
                self._again[folder] = left - 1
        return found

    def _away(self, folder: bytes) -> None:
        """Forget a folder that is gone: a whole walk tells of its files; others may come back."""
        if folder in self._roots or not is_gone(folder):
            self._folders[folder] = UNKNOWN_NS
        else:
            del self._folders[folder]


def _look_at(path: bytes, look: Look) -> None:
    try:
        status = os.stat(path)
    except OSError:
        return
    look.files[path] = FoundFile(path, status.st_size, changed_ns(status))


class Lookout:
    """Looks from a thread of its own, so that a share that hangs holds up nothing else."""

    def __init__(self, look: Callable[[Iterable[bytes]], Look]) -> None:
        self._look = look
        self._thread: threading.Thread | None = None
        self._found: list[Look] = []
        self._failed: list[BaseException] = []

    def look(self, waiting: Iterable[bytes], patience_s: float) -> Look | None:
        """Look, or go on waiting for the look before; None when there is no answer yet."""
        if self._thread is None:
            asked = list(waiting)
            self._thread = threading.Thread(target=self._run, args=(asked,), daemon=True)
            self._thread.start()
        self._thread.join(patience_s)
        if self._thread.is_alive():
            return None
        self._thread = None
        if self._failed:
            raise self._failed.pop()
        return self._found.pop()

    def _run(self, waiting: list[bytes]) -> None:
        try:
            self._found.append(self._look(waiting))
        except BaseException as error:  # noqa: BLE001 - raised again where it is waited for
            self._failed.append(error)
