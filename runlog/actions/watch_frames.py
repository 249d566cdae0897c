"""Frames that came while watching, run by run: looks, warnings, and frames that do not come."""

from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from datetime import datetime
from functools import partial

from sqlalchemy import Engine

from runlog.actions.changes import Moves
from runlog.actions.settle import Outcome
from runlog.actions.watch_events import Event, EventKind
from runlog.actions.watch_run import RUNNING, Came, WatchedRun, came_from, is_of_now
from runlog.config import Settings
from runlog.core.columns import plural
from runlog.core.frame import Frame, Kind
from runlog.store import watch as store
from runlog.store.engine import reading, write
from runlog.store.frames import ids_of_keys
from runlog.store.mine import my_rigs
from runlog.store.runs import RunState, all_runs, run_of_frame

Say = Callable[[str], None]


class Settled(Moves):
    """Keeps what was found of the runs settled last, so that none is looked up twice."""

    def __init__(self) -> None:
        super().__init__(own=())
        self._last: dict[int, tuple[int, Outcome]] = {}

    def hear(self, run: RunState, outcome: Outcome) -> None:
        """Hear that a run was settled."""
        self._last[run.id] = run.revision, outcome

    def of(self, run: RunState) -> Outcome | None:
        """Give what was found of a run; None where it was not settled, or changed since."""
        revision, outcome = self._last.get(run.id, (None, None))
        return outcome if revision == run.revision else None


class Watched:
    """The runs that frames come to while watching."""

    def __init__(self, engine: Engine, settings: Settings) -> None:
        self._engine, self._settings = engine, settings
        self._came: dict[str, float] = {}  # when the files of frames were written, by key
        self._new: set[str] = set()  # those that nobody else stored before us
        self._runs: dict[int, WatchedRun] = {}
        self._plans: dict[tuple[int, str], datetime | None] = {}  # their ends, by run and target

    def expect(self, key: str, written_s: float, *, new: bool) -> None:
        """Take in a frame to be looked at soon; one that was stored before only if of tonight."""
        self._came[key] = written_s
        if new:
            self._new.add(key)

    def resumed(self, now: datetime) -> None:
        """Hear that the machine was asleep until now: no frame is overdue for that."""
        for run in self._runs.values():
            run.judge.resumed(now)
            write(self._engine, run.keep)
            run.kept()

    def look(self, now: datetime, settled: Settled | None = None) -> list[Event]:
        """Look at the new frames, run by run, as they were settled."""
        if not self._came:
            return []
        with reading(self._engine) as connection:
            ids = ids_of_keys(connection, list(self._came))
            runs = {run_of_frame(connection, i) for i in ids.values()}
        events: list[Event] = []
        for run in sorted(runs, key=_in_order):
            found = settled.of(run) if settled else None
            events += self._look_at(run, now, self._came.keys(), found)
        self._came, self._new = {}, set()
        return self._named(events)

    def catch_up(self, now: datetime, say: Say) -> list[Event]:
        """Look at what came to a run of tonight unseen; of warnings only what still holds.

        Runs of others are theirs to look at.
        """
        with reading(self._engine) as connection:
            of_now = set(store.runs_between(connection, now - RUNNING, now + RUNNING))
            rigs = my_rigs(connection)
            runs = [r for r in all_runs(connection) if r.id in of_now and r.rig_id in rigs]
        told: dict[int, list[Event]] = {}
        for run in sorted(runs, key=_in_order):
            events = told[run.id] = self._look_at(run, now, None)
            frames = sum(event.kind is EventKind.FRAME for event in events)
            if frames:
                say(f"Caught up with {plural(frames, 'frame')} of {events[0].rig}")
        for run_id, events in told.items():
            self._say_standing(run_id, {e.cause for e in events if e.is_warning}, say)
        return self._named([event for events in told.values() for event in events])

    def _say_standing(self, run_id: int, new: Collection[str | None], say: Say) -> None:
        """Name what was warned of before this watch began and still holds: it is no new warning."""
        with reading(self._engine) as connection:
            held = store.standing(connection, run_id)
        rig = self._runs[run_id].rig if run_id in self._runs else None
        for told in held:
            if told.cause not in new:
                say(f"Still, as told before: {self._whose(rig, told.words)}")

    def _named(self, events: Sequence[Event]) -> list[Event]:
        """Have warnings name their rigs where there is more than one."""
        return [replace(e, text=self._whose(e.rig, e.text)) if e.is_warning else e for e in events]

    def _whose(self, rig: str | None, words: str) -> str:
        rigs = {run.rig for run in self._runs.values()}
        return f"{rig}: {words}" if rig and len(rigs) > 1 else words

    def _look_at(
        self,
        run: RunState,
        now: datetime,
        keys: Collection[str] | None,
        found: Outcome | None = None,
    ) -> list[Event]:
        """Look at a run's frames that were not looked at, of some keys or all; keep what is said.

        It is stored before it is told: who is killed between the two warns nobody twice.
        """
        with reading(self._engine) as connection:
            watched = WatchedRun(connection, run, self._settings, found)
            unseen = [f for f in watched.unseen(keys) if f.key in self._new or is_of_now(f, now)]
            paths = came_from(connection, unseen)
        events: list[Event] = []
        for frame in unseen:
            came = Came(paths.get(frame.identity.id, b""), self._came.get(frame.key))
            events += watched.look_at(frame, came, now)
            self._let_namesakes_hear(watched, frame, came, now)
        events += watched.warn(watched.judge.caught_up(now), now)
        if keys is None:  # nobody watched: for that no frame is overdue
            watched.judge.resumed(now)
        write(self._engine, watched.keep)
        watched.kept()
        if watched.is_of_now(now):
            watched.rest()
            self._runs[run.id] = watched
        return events

    def _let_namesakes_hear(
        self, watched: WatchedRun, frame: Frame, came: Came, now: datetime
    ) -> None:
        """Let a rig hear of its flats, which may be of a run of their own.

        They need only lack a focal length: then a rig of the same name would be overdue at dawn,
        while its frames come.
        """
        if frame.context.kind is Kind.LIGHT:
            return
        for run in self._runs.values():
            if run.rig == watched.rig and run.run.id != watched.run.id:
                run.hear(frame, came, now)
                write(self._engine, run.keep)
                run.kept()

    def overdue(self, now: datetime) -> list[Event]:
        """Warn of a run whose next frame should have come by now."""
        events: list[Event] = []
        self._runs = {i: run for i, run in self._runs.items() if run.is_of_now(now)}
        for run in self._runs.values():
            ends = partial(self._plan_end, run, now)
            warned = run.warn(run.judge.overdue(now, ends), now)
            if warned:
                write(self._engine, run.keep)
                run.kept()
                events += warned
        return self._named(events)

    def _plan_end(self, run: WatchedRun, now: datetime, last: Frame) -> datetime | None:
        """Look up once when the plan ends that a rig may be at the end of."""
        from runlog.actions.watch_plan import plan_end  # with numpy, seldom asked for

        night, target = run.run.night, last.context.target
        at = (run.run.id, target)
        if at not in self._plans:
            found = plan_end(self._engine, self._settings, run.rig, night, target, now)
            self._plans[at] = found
        return self._plans[at]


def _in_order(run: RunState) -> tuple[str, int]:
    return run.night, run.id
