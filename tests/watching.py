"""A night for the watch to look at: a clock that is passed in, files that come as it goes on."""

import os
from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from runlog.actions.open import open_store
from runlog.actions.watch import Clock, Voice, Watch
from runlog.actions.watch_events import Event
from runlog.config import Settings
from runlog.ingest.kept import Worker
from runlog.ingest.lookout import Folders

START = datetime(2026, 10, 9, 22, 0, tzinfo=UTC)
FIRST_DONE = START + timedelta(seconds=302)  # the first exposure of a drawn run, read out


class DrawnClock(Clock):
    """A clock that goes on only when something waits for it."""

    def __init__(self, start: datetime = FIRST_DONE) -> None:
        self.at = start

    def now(self) -> datetime:
        return self.at

    def elapsed_s(self) -> float:
        return (self.at - START).total_seconds()

    def wait(self, seconds: float, stop: Callable[[], bool]) -> None:
        self.at += timedelta(seconds=seconds)


class Night:
    """A watch over one folder, and what it told."""

    def __init__(
        self,
        home: Path,
        worker: Worker,
        clock: DrawnClock | None = None,
        database: str | None = None,
    ) -> None:
        self.folder, self.database = home / "frames", database or home / "night.sqlite"
        self.folder.mkdir(exist_ok=True)
        self.clock = clock or DrawnClock()
        self.told: list[Event] = []
        self.said: list[str] = []
        self.engine = open_store(str(self.database), Settings())
        self.watch = Watch(
            self.engine, Settings(), [os.fsencode(self.folder)],
            Voice(self.told.append, self.said.append), worker, clock=self.clock,
            look=Folders([os.fsencode(self.folder)], self.clock.elapsed_s).look,
        )  # fmt: skip

    def begin(self) -> "Night":
        """Catch up with what lies there."""
        self.watch.begin()
        return self

    def put(self, source: Path, name: str | None = None, part: float = 1.0) -> Path:
        """Copy a file into the folder, or its first part, written at this moment of the clock."""
        path, data = self.folder / (name or source.name), source.read_bytes()
        path.write_bytes(data[: round(part * len(data))])
        self.touch(path)
        return path

    def touch(self, path: Path) -> None:
        """Give a file the clock's time of change."""
        os.utime(path, ns=(int(self.clock.at.timestamp()) * 10**9,) * 2)

    def wait(self, seconds: float) -> None:
        """Let the watch turn until so much time has passed."""
        until = self.clock.at + timedelta(seconds=seconds)
        while self.clock.at < until:
            pause_s = self.watch.turn()
            self.watch.slept(pause_s)
            self.clock.wait(max(pause_s, 0.2), lambda: False)

    def frames(self) -> list[Event]:
        """The frames told, in order."""
        return [event for event in self.told if event.kind == "frame"]

    def warnings(self) -> list[tuple[str, str | None]]:
        """Kinds and causes of the warnings told, in order."""
        return [(e.kind.value, e.cause) for e in self.told if e.is_warning]

    def close(self) -> None:
        """Let go of the database, as a kill would."""
        self.engine.dispose()


def feed(night: Night, sources: Sequence[Path], step_s: float) -> None:
    """Let files come one after the other, each whole when it is seen."""
    for source in sources:
        night.put(source)
        night.wait(step_s)
