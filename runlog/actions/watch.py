"""Watch folders while the night runs: grade each frame as it comes, and warn."""

import gc
import os
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from sqlalchemy import Engine

from runlog.actions.arrivals import Arrivals
from runlog.actions.roots import folders_to_scan
from runlog.actions.scan import Report, scan
from runlog.actions.scan_report import ScanReport, your_rig
from runlog.actions.settle import settle_all
from runlog.actions.watch_events import Event, EventKind
from runlog.actions.watch_frames import Settled, Watched
from runlog.actions.watch_machine import Machine
from runlog.actions.writer import Arrival
from runlog.config import Settings
from runlog.core.columns import plural
from runlog.core.failures import cure_of_failure
from runlog.errors import StoreError
from runlog.ingest.complete import Extent, extent_of
from runlog.ingest.discover import FoundFile, is_gone
from runlog.ingest.kept import Worker
from runlog.ingest.lookout import Folders, Look, Lookout
from runlog.ingest.resting import PATIENCE_S, Resting
from runlog.ingest.task import Outcome
from runlog.store.engine import reading
from runlog.store.mine import own_rigs

EVERY_S = 5.0
QUIET_S = 1.0  # between two looks at a file that does not rest yet
SILENT_S = 30.0  # without an answer: a share that hangs
AT_ONCE = 16  # files read before they are settled together
TRIES = 5  # at a file that could not be read through no fault of its own
TO_LOOK_AT = (Arrival.NEW, Arrival.REWRITTEN)  # the second: a scan beside us was quicker
ASLEEP = timedelta(seconds=60)  # a longer gap between two turns than was waited for
SLICE_S = 0.25  # of waiting, so that Ctrl-C is heard soon

Tell = Callable[[Event], None]
Say = Callable[[str], None]
Stop = Callable[[], bool]


class Clock:
    """The machine's clocks; a test passes in others."""

    def now(self) -> datetime:
        """Give the moment."""
        return datetime.now(UTC)

    def elapsed_s(self) -> float:
        """Give a clock that never goes back."""
        return time.monotonic()

    def wait(self, seconds: float, stop: Stop) -> None:
        """Wait, unless asked to stop."""
        until = self.elapsed_s() + seconds
        while not stop() and (left := until - self.elapsed_s()) > 0:
            time.sleep(min(left, SLICE_S))


@dataclass(slots=True)
class _Tried:
    """How often a file could not be read as it is."""

    found: FoundFile
    times: int = 0


@dataclass(slots=True)
class Counts:
    """What a watch has done, for its last line."""

    graded: int = 0
    ungraded: int = 0  # what has no grade to tell: flats, darks, copies
    failed: int = 0
    warnings: int = 0

    def add(self, event: Event) -> None:
        """Count an event that is told."""
        if event.kind is EventKind.FRAME and event.rig is None:
            self.failed += 1
        elif event.kind is EventKind.FRAME and event.grade is None:
            self.ungraded += 1
        elif event.kind is EventKind.FRAME:
            self.graded += 1
        self.warnings += event.kind in (EventKind.ALARM, EventKind.OVERDUE)

    def words(self) -> str:
        """Say it in a line."""
        ungraded = [f"{self.ungraded} taken without a grade"] if self.ungraded else []
        failed = [f"{plural(self.failed, 'file')} not readable"] if self.failed else []
        graded, warned = plural(self.graded, "frame"), plural(self.warnings, "warning")
        return ", ".join([f"{graded} graded", *ungraded, *failed, warned])


@dataclass(frozen=True, slots=True)
class Voice:
    """Where a watch speaks: events as data, other words, progress of catching up."""

    tell: Tell
    say: Say = lambda _: None
    report: Report = lambda _: None
    scanned: Callable[[ScanReport], None] = lambda _: None


class Watch:
    """One watch over some folders; `turn` is one look at them and all that follows from it."""

    def __init__(
        self,
        engine: Engine,
        settings: Settings,
        folders: Sequence[bytes],
        voice: Voice,
        worker: Worker,
        *,
        every_s: float = EVERY_S,
        clock: Clock | None = None,
        look: Callable[[Iterable[bytes]], Look] | None = None,
    ) -> None:
        self.engine, self.settings, self.voice = engine, settings, voice
        self.clock, self.every_s = clock or Clock(), every_s
        self.roots = folders_to_scan(engine, settings, folders)
        self._lookout = Lookout(look or Folders(self.roots).look)
        self._quiet_s = min(QUIET_S, every_s)
        self._resting = Resting(self._quiet_s)
        self._worker, worker.beat = worker, self.beat
        self._tried: dict[bytes, _Tried] = {}
        self._kept_back: list[
            tuple[FoundFile, Outcome]
        ] = []  # read, but the database did not take it
        self._unsettled = False
        self.counts = Counts()
        self._asked_s: float | None = None  # since when the folders owe an answer
        self._turned = self.clock.now()
        self._waited_s = 0.0
        self._away: set[bytes] = set()  # folders not there, or empty, and not seen again yet
        self._machine = Machine(engine, self._turned, self.roots)
        self._watched = Watched(engine, settings)

    # --- from beginning to end ----------------------------------------------------------------

    def run(self, stop: Stop) -> None:
        """Watch until asked to stop."""
        self.begin(stop)
        _keep_what_is_there()
        while not stop():
            pause_s = self.turn(stop)
            self.slept(pause_s)
            self.clock.wait(pause_s, stop)
        self._tell([ended(self.counts, self.clock.now())])

    def slept(self, seconds: float) -> None:
        """Hear for how long will be waited on purpose until the next turn."""
        self._waited_s = seconds

    def begin(self, stop: Stop = lambda: False) -> None:
        """Catch up with what was missed, as a plain scan does; what is being written waits."""
        report = scan(
            self.engine, self.settings, self.roots,
            report=self.voice.report, stop=stop, takes=self._lies_there,
        )  # fmt: skip
        self._away = {path for path, _ in report.problems} & {*self.roots}
        self.voice.scanned(report)
        self._rigs = self._own_rigs()
        self._arrivals = Arrivals(self.engine, self.settings, self._worker)
        self._tell(self._watched.catch_up(self.clock.now(), self.voice.say))
        self._turned = self.clock.now()

    def _lies_there(self, found: FoundFile) -> bool:
        """Tell a file that nobody writes to; one changed of late waits until it rests."""
        age_s = self.clock.now().timestamp() - found.mtime_ns / 1e9
        return age_s > PATIENCE_S or (age_s > 2 * self.every_s and self._is_whole(found))

    def _is_whole(self, found: FoundFile) -> bool:
        return extent_of(found.path) is Extent.WHOLE

    # --- one turn -----------------------------------------------------------------------------

    def turn(self, stop: Stop = lambda: False) -> float:
        """Look once, and do what follows; returns for how long nothing need be done."""
        self._notice_sleep()
        patience_s = min(self.every_s, QUIET_S)
        look = self._lookout.look(self._resting.waiting, patience_s)
        self._tell(self._answered(look))
        if look is not None:
            self._take_in(look, stop)
        self.beat()
        if look is None:
            return 0.0
        return self._quiet_s if self._resting.waiting else self.every_s

    def beat(self) -> None:
        """Do what the passing of time asks for."""
        now = self.clock.now()
        self._guarded(lambda: self._tell(self._watched.overdue(now)))
        self._turned, self._waited_s = now, 0.0

    def _notice_sleep(self) -> None:
        """Begin anew to wait for frames when the machine was asleep: the gap is not the rig's."""
        now = self.clock.now()
        gap = now - self._turned - timedelta(seconds=self._waited_s)
        if gap > ASLEEP:
            minutes = gap.total_seconds() / 60
            self.voice.say(f"This machine slept for {minutes:.0f} min, or its clock was set on")
            self._watched.resumed(now)
            self._asked_s = None
        self._turned, self._waited_s = now, 0.0

    def _answered(self, look: Look | None) -> list[Event]:
        elapsed_s, now = self.clock.elapsed_s(), self.clock.now()
        where = ", ".join(map(os.fsdecode, self.roots))
        if look is None:
            self._asked_s = elapsed_s if self._asked_s is None else self._asked_s
            return self._machine.silence(elapsed_s - self._asked_s, SILENT_S, where, now)
        self._asked_s = None
        free = {os.fsdecode(path): count for path, count in look.free_bytes.items()}
        away = {os.fsdecode(path): why for path, why in self._arrivals.away(look).items()}
        return [
            *self._machine.silence(0.0, SILENT_S, where, now),
            *self._machine.folders(away, now),
            *self._machine.disks(free, now),
            *self._machine.database_disk(now),
        ]

    def _take_in(self, look: Look, stop: Stop) -> None:
        elapsed_s = self.clock.elapsed_s()
        kept = {found for found, _ in self._kept_back}
        news = [found for found in self._arrivals.news(look) if found not in kept]
        rested = self._resting.see(news, elapsed_s)
        self._resting.forget([path for path in self._resting.waiting if is_gone(path)])
        for start in range(0, len(rested), AT_ONCE):
            if stop():
                return  # what was not read is new to the next watch
            self._read(sorted(rested, key=_by_time)[start : start + AT_ONCE], stop)
        if self._kept_back or self._unsettled:
            self._guarded(lambda: self._store([]))
        gone = self._arrivals.gone(look)
        away = self._arrivals.away(look).keys()
        self._away |= away
        back = self._away - away
        if (gone or back) and not self._resting.waiting:
            self._guarded(lambda: self._note_gone(gone, back))

    def _read(self, rested: Sequence[FoundFile], stop: Stop) -> None:
        read = []
        for found in rested:
            if stop():
                break
            outcome = self._arrivals.read(found)
            if outcome.frame is not None or self._is_given_up(found, outcome):
                read.append((found, outcome))
        self._guarded(lambda: self._store(read))

    def _is_given_up(self, found: FoundFile, outcome: Outcome) -> bool:
        """Tell whether a file that cannot be read is stored as such; else it is tried again.

        It may be half written, or renamed and gone by now.
        """
        if is_gone(found.path):
            self._tried.pop(found.path, None)
            return False
        tried = self._tried.get(found.path)
        if tried is None or tried.found != found:
            tried = self._tried[found.path] = _Tried(found)
        tried.times += 1
        if tried.times > (TRIES if outcome.passing else 1):
            del self._tried[found.path]
            return True
        self._resting.put_off(found, self.clock.elapsed_s())
        return False

    # --- storing, settling, looking -----------------------------------------------------------

    def _store(self, read: Sequence[tuple[FoundFile, Outcome]]) -> None:
        """Store what was read, settle what it changes, and look at what is new."""
        self._kept_back += read
        if self._kept_back:
            stored = list(self._arrivals.store(self._kept_back))
            files = [found for found, _ in self._kept_back]
            self._kept_back = []
            self._unsettled = True
            self._machine.arrived(files)
            self._note_failures(files, stored)
            self._note_rigs(arrival for _, arrival in stored)
            for found, (outcome, arrival) in zip(files, stored, strict=True):
                if outcome.frame is not None and arrival in TO_LOOK_AT:
                    new = arrival is Arrival.NEW
                    key, written_s = outcome.frame.content_key, found.mtime_ns / 1e9
                    self._watched.expect(key, written_s, new=new)
        settled = Settled()
        settle_all(self.engine, self.settings, moves=settled)
        events = self._watched.look(self.clock.now(), settled)
        self._unsettled = False
        self._tell(
            self._machine.is_right("database", "the database answers again", self.clock.now())
        )
        self._tell(events)

    def _note_failures(
        self, files: Sequence[FoundFile], stored: Sequence[tuple[Outcome, Arrival]]
    ) -> None:
        now = self.clock.now()
        for found, (outcome, arrival) in zip(files, stored, strict=True):
            if arrival is Arrival.FAILED:
                why = outcome.failure or "cannot be read"
                text = f"{os.fsdecode(found.path)}: {why}. {cure_of_failure(why)}"
                faults = ("unreadable",)
                self._tell([Event(now, EventKind.FRAME, text, path=found.path, faults=faults)])

    def _note_rigs(self, arrivals: Iterable[Arrival]) -> None:
        """Say of a rig whose first frame came that it is the login's own now."""
        if Arrival.NEW in arrivals:
            before, self._rigs = self._rigs, self._own_rigs()
            for rig in self._rigs:
                if rig not in before:
                    self.voice.say(your_rig(rig))

    def _own_rigs(self) -> tuple[str, ...]:
        with reading(self.engine) as connection:
            return own_rigs(connection)

    def _note_gone(self, gone: Sequence[bytes], back: set[bytes]) -> None:
        """Note what was moved or deleted, or is there again, as a plain scan does."""
        scan(self.engine, self.settings, self.roots, workers=1, takes=lambda _: False)
        self._arrivals.renew()
        self._arrivals.forget(gone)
        self._away -= back

    def _guarded(self, work: Callable[[], None]) -> None:
        """Do what needs the database; while it does not answer, warn once and keep all."""
        try:
            work()
        except StoreError as error:
            text = f"database: {error.what}; frames that were read are kept until it takes them"
            self._tell(self._machine.is_wrong("database", text, self.clock.now()))

    def _tell(self, events: Iterable[Event]) -> None:
        for event in events:
            self.counts.add(event)
            self.voice.tell(event)


def ended(counts: Counts, now: datetime) -> Event:
    """Sum a watch up at its end."""
    text = f"watch ended: {counts.words()}"
    return Event(now, EventKind.END, text, frames=counts.graded)


def _keep_what_is_there() -> None:
    """Have what a watch holds from the start looked through no more for what may be let go.

    To look through all modules takes a tenth of a second of every few frames.
    """
    gc.collect()
    gc.freeze()


def _by_time(found: FoundFile) -> tuple[int, bytes]:
    return found.mtime_ns, found.path
