"""Beginning a watch: folders that are away, as on a share not mounted yet, are waited for."""

import os
from collections.abc import Sequence

from sqlalchemy import Engine

from runlog.actions.watch import EVERY_S, Clock, Counts, Stop, Voice, Watch, ended
from runlog.actions.watch_machine import Machine
from runlog.config import Settings
from runlog.ingest.kept import Worker
from runlog.ingest.paths import stored_path
from runlog.store.engine import reading
from runlog.store.mine import require_writer

WAITING = "waiting for it (is its disk or share mounted, its name right?)"


def watch(
    engine: Engine,
    settings: Settings,
    folders: Sequence[bytes],
    voice: Voice,
    worker: Worker,
    stop: Stop,
    *,
    every_s: float = EVERY_S,
    clock: Clock | None = None,
) -> None:
    """Watch until asked to stop, from when all folders that are named are there."""
    clock = clock or Clock()
    start = _Start(engine, voice, clock)
    start.wait([stored_path(folder) for folder in folders], every_s, stop)
    if stop():
        voice.tell(ended(start.counts, clock.now()))
        return
    watch = Watch(engine, settings, folders, voice, worker, every_s=every_s, clock=clock)
    watch.counts = start.counts
    watch.run(stop)


class _Start:
    """What a watch does before it can look at anything."""

    def __init__(self, engine: Engine, voice: Voice, clock: Clock) -> None:
        self._engine, self._voice, self._clock = engine, voice, clock
        self.counts = Counts()

    def wait(self, paths: Sequence[bytes], every_s: float, stop: Stop) -> None:
        """Wait until all are there; what was warned of before a restart is no new warning."""
        away = _away(paths)
        if not away:
            return
        with reading(self._engine) as connection:
            require_writer(connection)
        machine = Machine(self._engine, self._clock.now())
        if not self._tell(machine, away):
            self._voice.say(f"Still, as told before: folder {min(away)}: {away[min(away)]}")
        while away and not stop():
            self._clock.wait(every_s, stop)
            away = _away(paths)
            self._tell(machine, away)

    def _tell(self, machine: Machine, away: dict[str, str]) -> bool:
        events = machine.folders(away, self._clock.now())
        for event in events:
            self.counts.add(event)
            self._voice.tell(event)
        return bool(events)


def _away(paths: Sequence[bytes]) -> dict[str, str]:
    """Tell which paths are not there, or cannot be looked at, and why."""
    found = {}
    for path in paths:
        try:
            os.stat(path)
        except FileNotFoundError:
            found[os.fsdecode(path)] = f"is not there; {WAITING}"
        except OSError as error:
            found[os.fsdecode(path)] = f"cannot be read ({error.strerror or error}); {WAITING}"
    return found
