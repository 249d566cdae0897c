"""Trouble of the machine, not of the sky: folders that do not answer, disks, the database."""

import os
from collections import deque
from collections.abc import Iterable, Mapping
from datetime import datetime
from pathlib import Path

from sqlalchemy import Engine

from runlog.actions.watch_events import FRESH, Event, EventKind
from runlog.core.columns import hours
from runlog.errors import StoreError
from runlog.ingest.discover import FoundFile
from runlog.store import watch as store
from runlog.store.engine import reading, write
from runlog.store.room import database_folder, disk_of, room
from runlog.store.watch import Notice

ROOM_S = 3600.0  # of frames at the pace of late: less is too little
CLEAR = 1.5  # times that, so that a warning does not flap
LEAST_BYTES = 256 << 20  # where no pace is known
PACED = 20  # files the pace is taken of
SHORTEST_S = 60.0  # that they span


class Machine:
    """Warns once of each kind of trouble, and says when it is over."""

    def __init__(self, engine: Engine, now: datetime, folders: Iterable[bytes] = ()) -> None:
        self._engine = engine
        self._database = _apart(database_folder(engine), folders)
        with reading(engine) as connection:
            told = store.standing(connection, None)
        self._standing = {one.cause for one in told if now - one.at_utc < FRESH}
        self._troubled: dict[str, set[str]] = {}  # folders and disks, by cause
        self._files: deque[FoundFile] = deque(maxlen=PACED)

    def is_wrong(self, cause: str, text: str, now: datetime) -> list[Event]:
        """Warn of a trouble, unless that was done."""
        if cause in self._standing:
            return []
        self._standing.add(cause)
        return [self._told(EventKind.ALARM, cause, text, now)]

    def is_right(self, cause: str, text: str, now: datetime) -> list[Event]:
        """Say that a trouble is over, if it was told."""
        if cause not in self._standing:
            return []
        self._standing.discard(cause)
        return [self._told(EventKind.CLEARED, cause, text, now)]

    def _told(self, kind: EventKind, cause: str, text: str, now: datetime) -> Event:
        told = Notice(None, now, kind.value, cause, text)
        try:
            write(self._engine, lambda connection: store.put_told(connection, [told]))
        except StoreError:
            # The database may be what is wrong: then it is told all the same, and known here.
            return Event(now, kind, text, cause=cause)
        return Event(now, kind, text, cause=cause)

    # --- folders and disks ------------------------------------------------------------------

    def folders(self, problems: Mapping[str, str], now: datetime) -> list[Event]:
        """Warn of folders that are gone or may not be read; `problems` says why, by folder."""
        new = self._new("folder", set(problems))
        if not problems:
            return self.is_right("folder", "the folders can be read again", now)
        if not new:
            return []
        where = min(new)
        more = f" (and {len(problems) - 1} more)" if len(problems) > 1 else ""
        return self.is_wrong("folder", f"folder {where}{more}: {problems[where]}", now)

    def _new(self, cause: str, troubled: set[str]) -> set[str]:
        """Choose the folders or disks that this was not said of; beside others it is told anew."""
        before = self._troubled.get(cause, set())
        new, self._troubled[cause] = troubled - before, troubled
        if new and before:
            self._standing.discard(cause)
        return new

    def silence(self, seconds: float, most_s: float, where: str, now: datetime) -> list[Event]:
        """Warn of folders that have not answered for so long; once."""
        if seconds < most_s:
            return self.is_right("folder-silent", f"{where} answers again", now)
        text = f"{where} has not answered for {seconds:.0f} s (is a share or disk lost?)"
        return self.is_wrong("folder-silent", text, now)

    def arrived(self, files: Iterable[FoundFile]) -> None:
        """Take in files for the pace at which the disk fills."""
        self._files.extend(files)

    def disks(self, free_bytes: Mapping[str, int], now: datetime) -> list[Event]:
        """Warn of disks that will soon be full, at the pace of the last files."""
        if not free_bytes:
            return []
        pace = self._bytes_per_s()
        wanted = pace * ROOM_S if pace else LEAST_BYTES
        full = {where for where, free in free_bytes.items() if free < wanted}
        filling = {
            where
            for where in self._troubled.get("disk", set())
            if free_bytes.get(where, 0) <= CLEAR * wanted
        }
        new = self._new("disk", full | filling)
        where, free = min(free_bytes.items(), key=lambda at: (at[0] not in new, at[1]))
        if new:
            lasts = f", room for {hours(free / pace)} of frames at this pace" if pace else ""
            text = f"disk of {where}: {_size(free)} left{lasts}; make room"
            return self.is_wrong("disk", text, now)
        if all(free > CLEAR * wanted for free in free_bytes.values()):
            return self.is_right("disk", f"disk of {where} has room again: {_size(free)}", now)
        return []

    def database_disk(self, now: datetime) -> list[Event]:
        """Warn where a database in a file of ours has next to no room on a disk of its own."""
        if self._database is None:
            return []
        free = room(self._database)
        if free is not None and free < LEAST_BYTES:
            text = f"disk of the database {self._database}: {_size(free)} left; make room, or no "
            return self.is_wrong("database-disk", f"{text}frame can be stored", now)
        if free is not None and free > CLEAR * LEAST_BYTES:
            text = f"disk of the database has room again: {_size(free)}"
            return self.is_right("database-disk", text, now)
        return []

    def _bytes_per_s(self) -> float | None:
        if len(self._files) < 2:
            return None
        times = [found.mtime_ns for found in self._files]
        span_s = (max(times) - min(times)) / 1e9
        sizes = sum(found.size for found in self._files) * (1 - 1 / len(self._files))
        return sizes / span_s if span_s >= SHORTEST_S else None


def _apart(folder: Path | None, others: Iterable[bytes]) -> Path | None:
    """Give a folder that lies on another disk than all others."""
    if folder is None or any(disk_of(folder) == disk_of(Path(os.fsdecode(o))) for o in others):
        return None
    return folder


def _size(count: float) -> str:
    return f"{count / 1e9:.1f} GB" if count >= 1e9 else f"{count / 1e6:.0f} MB"
