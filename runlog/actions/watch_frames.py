"""Frames that came while watching: the first look at each, and the warnings of its run."""

import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Engine

from runlog.actions import watch_judge as judge
from runlog.actions.rig_settings import settings_of
from runlog.actions.watch_events import Event, EventKind
from runlog.actions.watch_judge import Warned
from runlog.config import Settings
from runlog.core.columns import plural
from runlog.core.frame import Frame, Grade, Verdict
from runlog.core.sky.daylight import sky_as_known
from runlog.store import history, listing
from runlog.store import watch as store
from runlog.store.engine import reading, write
from runlog.store.frames import ids_of_keys
from runlog.store.rig_settings import rigs
from runlog.store.runs import RunState, run_of_frame
from runlog.store.settling import frames_of_run
from runlog.store.watch import FirstLook, Told

RUNNING = timedelta(hours=18)  # frames further away are of another night, or a clock is wrong


@dataclass(slots=True)
class _Running:
    """A run that frames come to: what is needed to know when the next one is due."""

    run: RunState
    rig: str
    lights: Sequence[Frame]
    state: dict[str, Any]


class Watched:
    """The runs that frames come to while watching."""

    def __init__(self, engine: Engine, settings: Settings) -> None:
        self._engine, self._settings = engine, settings
        self._new: dict[str, float] = {}  # when the files of new frames were written, by key
        self._running: dict[int, _Running] = {}
        self._resumed: datetime | None = None

    def expect(self, written_s: Mapping[str, float]) -> None:
        """Take in new frames by key, with when their files were written, to be looked at soon."""
        self._new |= written_s

    def resumed(self, now: datetime) -> None:
        """Hear that the machine was asleep until now: no frame is overdue for that."""
        self._resumed = now

    # --- looking ------------------------------------------------------------------------------

    def look(self, now: datetime) -> list[Event]:
        """Look at the new frames, run by run."""
        if not self._new:
            return []
        with reading(self._engine) as connection:
            ids = ids_of_keys(connection, list(self._new))
            runs = {run_of_frame(connection, i) for i in ids.values()}
        events: list[Event] = []
        for run in sorted(runs, key=lambda run: (run.night, run.id)):
            events += self._look_at(run, now, self._new.keys())
        self._new = {}
        return events

    def catch_up(self, now: datetime, say: Callable[[str], None]) -> list[Event]:
        """Look at what came to a run of tonight unseen; of warnings only what still holds."""
        with reading(self._engine) as connection:
            run_ids = store.runs_between(connection, now - RUNNING, now + RUNNING)
            runs = [run for i in run_ids if (run := _run(connection, i))]
        told: list[Event] = []
        for run in runs:
            events = self._look_at(run, now, None)
            frames = [event for event in events if event.kind is EventKind.FRAME]
            if frames:
                say(f"Caught up with {plural(len(frames), 'frame')} of {self._running[run.id].rig}")
            last = {event.cause: event for event in events if event.is_warning}
            still = [event for event in last.values() if event.kind is not EventKind.CLEARED]
            told += [*frames, *still]
            self._say_standing(run, {event.cause for event in still}, say)
        return told

    def _say_standing(
        self, run: RunState, new: set[str | None], say: Callable[[str], None]
    ) -> None:
        """Name what was warned of before this watch began and still holds: it is no new warning."""
        with reading(self._engine) as connection:
            held = store.standing(connection, run.id)
        for told in held:
            if told.cause not in new and told.kind == EventKind.ALARM:
                say(f"Still, as told before: {told.words}")

    def _look_at(self, run: RunState, now: datetime, keys: Iterable[str] | None) -> list[Event]:
        """Look at a run's frames that were not looked at, of some keys or all; keep what is said.

        It is stored before it is told: who is killed between the two warns nobody twice.
        """
        with reading(self._engine) as connection:
            at_work = _AtWork(connection, run, self._settings, now)
            unseen = at_work.unseen(None if keys is None else set(keys))
            paths = listing.paths_of_frames(connection, [f.identity.id for f in unseen])
        for frame in unseen:
            ((path, _), *_) = paths.get(frame.identity.id) or [(b"", True)]
            at_work.look_at(frame, path, self._new.get(frame.key), live=_is_of_now(frame, now))
        write(self._engine, at_work.keep)
        self._running[run.id] = _Running(run, at_work.rig, at_work.lights, at_work.state)
        return at_work.events

    # --- waiting ------------------------------------------------------------------------------

    def overdue(self, now: datetime) -> list[Event]:
        """Warn of a run whose next frame should have come by now."""
        events: list[Event] = []
        for running in self._running.values():
            state, warned = judge.overdue(running.state, running.lights, now, self._resumed)
            if not warned:
                continue
            told = [_as_told(running.run.id, one, now) for one in warned]

            def keep(
                connection: Connection,
                run_id: int = running.run.id,
                state: dict[str, Any] = state,
                told: list[Told] = told,
            ) -> None:
                store.put_state(connection, run_id, state)
                store.put_told(connection, told)

            write(self._engine, keep)
            running.state = state
            events += [_warning(one, running.rig, now) for one in warned]
        return events


class _AtWork:
    """One run being looked at."""

    def __init__(
        self, connection: Connection, run: RunState, settings: Settings, now: datetime
    ) -> None:
        self.run, self.now = run, now
        self.policy = settings_of(connection, run.rig_id, settings).policy
        self.rig = rigs(connection).get(run.rig_id, "")
        self.frames = frames_of_run(connection, run.id)
        self.lights = sky_as_known([frame for frame in self.frames if frame.is_light])
        self.earlier = history.of_frames(connection, run.rig_id, run.night, self.lights)
        self.seen = store.looks_of_run(connection, run.id)
        self.state = dict(store.state_of(connection, run.id))
        self.events: list[Event] = []
        self._looks: list[FirstLook] = []
        self._told: list[Told] = []

    def unseen(self, keys: set[str] | None) -> list[Frame]:
        """List the frames not looked at yet, as they were taken."""
        frames = [f for f in self.frames if f.identity.id not in self.seen]
        return [f for f in frames if keys is None or f.key in keys]

    def look_at(self, frame: Frame, path: bytes, written_s: float | None, *, live: bool) -> None:
        """Look at a frame; warnings are of a night that is going on, and of its lights."""
        light = next((light for light in self.lights if light.key == frame.key), None)
        verdict = self._judged(light) if light else Verdict(Grade.UNGRADED)
        words = _words(light, verdict) if light else frame.context.kind.value
        faults = [fault.name.value for fault in verdict.faults]
        self._looks.append(FirstLook(frame.identity.id, self.now, verdict.grade.value, faults))
        age_s = None if written_s is None else self.now.timestamp() - written_s
        self.events.append(
            Event(
                self.now,
                EventKind.FRAME,
                f"{os.fsdecode(os.path.basename(path))}: {words}",
                path=path,
                rig=self.rig,
                grade=light.judgement.grade.value if light else None,
                faults=faults,
                first_look=verdict.grade.value if light else None,
                latency_s=None if age_s is None else max(0.0, age_s),
            )
        )
        if light and live:
            self._warn(light, verdict)

    def _judged(self, light: Frame) -> Verdict:
        return judge.first_look(light, self.lights, self.policy, self.earlier)

    def _warn(self, light: Frame, verdict: Verdict) -> None:
        self.state, warned = judge.advance(self.state, light, verdict, self.now)
        for one in warned:
            self._told.append(_as_told(self.run.id, one, self.now))
            self.events.append(_warning(one, self.rig, self.now))

    def keep(self, connection: Connection) -> None:
        """Store looks, warnings and their state together."""
        store.put_looks(connection, self._looks)
        store.put_told(connection, self._told)
        store.put_state(connection, self.run.id, self.state)


def _run(connection: Connection, run_id: int) -> RunState | None:
    frames = frames_of_run(connection, run_id)
    return run_of_frame(connection, frames[0].identity.id) if frames else None


def _is_of_now(frame: Frame, now: datetime) -> bool:
    taken = frame.header.taken_at_utc
    return taken is not None and abs(taken - now) < RUNNING


def _words(frame: Frame, verdict: Verdict) -> str:
    """Say a frame in a line: what it shows of, its grade and why."""
    why = "; ".join(fault.evidence for fault in verdict.faults) or verdict.note or ""
    what = f"{frame.context.target} {frame.context.filter}".strip()
    return f"{what}: {verdict.grade.value}{f' ({why})' if why else ''}"


def _as_told(run_id: int, one: Warned, now: datetime) -> Told:
    return Told(run_id, now, one.kind, one.cause, one.words, one.since_utc, one.frames)


def _warning(one: Warned, rig: str, now: datetime) -> Event:
    return Event(
        now, EventKind(one.kind), one.words, rig=rig, cause=one.cause,
        since_utc=one.since_utc, frames=one.frames,
    )  # fmt: skip
