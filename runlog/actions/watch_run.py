"""One run being watched: a look at each frame that came, its warnings, and keeping both."""

import os
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from sqlalchemy import Connection

from runlog.actions.night_sky import sky_of_run
from runlog.actions.rig_settings import settings_of
from runlog.actions.settle import Outcome
from runlog.actions.watch_events import FRESH, Event, EventKind
from runlog.actions.watch_judge import Judge, Warned, judge_of
from runlog.config import Settings
from runlog.core.frame import Frame, Grade, Kind, Verdict
from runlog.core.grading.history import History
from runlog.core.sky.daylight import sky_as_known
from runlog.store import history, listing
from runlog.store import watch as store
from runlog.store.rig_settings import rigs
from runlog.store.runs import RunState
from runlog.store.settling import frames_of_run
from runlog.store.watch import Notice

RUNNING = FRESH  # frames further away are of another night, or a clock is wrong


@dataclass(frozen=True, slots=True)
class Came:
    """A frame that came: where its file is, and when that was written; None where not seen."""

    path: bytes
    written_s: float | None = None


class WatchedRun:
    """A run as it is stored now, with how far its warnings are.

    `found` is what settling it found, where who settled it has that still.
    """

    def __init__(
        self,
        connection: Connection,
        run: RunState,
        settings: Settings,
        found: Outcome | None = None,
    ) -> None:
        used = settings_of(connection, run.rig_id, settings)
        self.run, self.rig = run, rigs(connection).get(run.rig_id, "")
        self._frames = found.after if found else frames_of_run(connection, run.id)
        lights = sky_as_known([frame for frame in self._frames if frame.is_light])
        kept = store.state_of(connection, run.id)
        usual = found.usual if found else None
        earlier: History = (
            found.history if found else history.of_frames(connection, run.rig_id, run.night, lights)
        )
        self.judge: Judge = judge_of(used.policy, earlier, lights, kept, usual)
        sky = sky_of_run(connection, run.id, run.night, lights, used)
        self.judge.place, self.judge.dark_until_utc = sky.place, sky.dark[1] if sky.dark else None
        self._seen = store.looks_of_run(connection, run.id)
        self._lights = {frame.key: frame for frame in lights}
        self._looks: list[store.FirstLook] = []
        self._told: list[Notice] = []

    def is_of_now(self, now: datetime) -> bool:
        """Tell whether its night is going on."""
        return any(is_of_now(light, now) for light in self.judge.lights[-1:])

    def unseen(self, keys: Collection[str] | None) -> list[Frame]:
        """List the frames that were not looked at yet, as they were taken; of some keys, or all."""
        frames = [f for f in self._frames if f.identity.id not in self._seen]
        return [f for f in frames if keys is None or f.key in keys]

    def look_at(self, frame: Frame, came: Came, now: datetime) -> list[Event]:
        """Look at a frame; its run is warned of where it is of tonight and a light that counts."""
        light = self._lights.get(frame.key)
        if light is None:
            self._keep_look(frame, Verdict(Grade.UNGRADED), now)
            self.hear(frame, came, now)
            return [_event(frame, None, came, self.rig, now)]
        look = self.judge.look(light)
        self._keep_look(frame, look.verdict, now)
        event = _event(light, look.verdict, came, self.rig, now)
        if not is_of_now(light, now):
            return [event]
        if came.written_s is None:
            self.judge.miss(light, look)
            return [event]
        return [event, *self.warn(self.judge.take(light, look, now, came.written_s), now)]

    def hear(self, other: Frame, came: Came, now: datetime) -> None:
        """Take note of a frame of now that is no light: its rig is at work."""
        if other.context.kind is not Kind.LIGHT and is_of_now(other, now):
            self.judge.hear(other, now, came.written_s)

    def warn(self, warned: Sequence[Warned], now: datetime) -> list[Event]:
        """Take warnings in, to be kept and told."""
        self._told += [_as_told(self.run.id, one, now) for one in warned]
        return [_warning(one, self.rig, now) for one in warned]

    def _keep_look(self, frame: Frame, verdict: Verdict, now: datetime) -> None:
        faults = [fault.name.value for fault in verdict.faults]
        look = store.FirstLook(frame.identity.id, now, verdict.grade.value, faults)
        self._looks.append(look)

    def keep(self, connection: Connection) -> None:
        """Store looks, warnings and their state together."""
        store.put_looks(connection, self._looks)
        store.put_told(connection, self._told)
        store.put_told(connection, self._ended(connection))
        store.put_state(connection, self.run.id, self.judge.kept())

    def _ended(self, connection: Connection) -> list[Notice]:
        """Note what ended without a word, so that it does not stand on the night's screen."""
        stands, now = set(self.judge.state.on), datetime.now(UTC)
        held = store.standing(connection, self.run.id)
        ended = [one for one in held if one.kind == EventKind.ALARM and one.cause not in stands]
        return [Notice(self.run.id, now, "cleared", one.cause, "over") for one in ended]

    def kept(self) -> None:
        """Hear that it is stored."""
        self._looks, self._told = [], []

    def rest(self) -> None:
        """Let go of all that is not needed to wait for the next frame: a night has thousands."""
        self._frames, self._lights, self._seen = [], {}, {}
        self.judge.rest()


def came_from(connection: Connection, frames: Sequence[Frame]) -> dict[int, bytes]:
    """Find a file of each frame, one that is there where there is one."""
    found = listing.paths_of_frames(connection, [frame.identity.id for frame in frames])
    return {frame_id: files[0][0] for frame_id, files in found.items() if files}


def is_of_now(frame: Frame, now: datetime) -> bool:
    """Tell a frame of tonight, by whichever clock, from one that was taken long ago."""
    taken = frame.header.taken_at_utc
    return taken is not None and abs(taken - now) < RUNNING


def _event(frame: Frame, verdict: Verdict | None, came: Came, rig: str, now: datetime) -> Event:
    """Tell a frame; one that is no light, or a copy, by its kind and without a grade."""
    words = frame.context.kind.value if verdict is None else _words(frame, verdict)
    age_s = None if came.written_s is None else max(0.0, now.timestamp() - came.written_s)
    return Event(
        now,
        EventKind.FRAME,
        f"{os.fsdecode(os.path.basename(came.path))}: {words}",
        path=came.path,
        rig=rig,
        grade=frame.judgement.grade.value if verdict else None,
        faults=[fault.name.value for fault in verdict.faults] if verdict else (),
        first_look=verdict.grade.value if verdict else None,
        latency_s=age_s,
    )


def _words(frame: Frame, verdict: Verdict) -> str:
    """Say a frame in a line: what it shows, its grade and why."""
    why = "; ".join(fault.evidence for fault in verdict.faults) or verdict.note or ""
    what = f"{frame.context.target} {frame.context.filter}".strip()
    return f"{what}: {verdict.grade.value}{f' ({why})' if why else ''}"


def _as_told(run_id: int, one: Warned, now: datetime) -> Notice:
    return Notice(run_id, now, one.kind, one.cause, one.words, one.since_utc, one.frames)


def _warning(one: Warned, rig: str, now: datetime) -> Event:
    return Event(
        now, EventKind(one.kind), one.words, rig=rig, cause=one.cause,
        since_utc=one.since_utc, frames=one.frames,
    )  # fmt: skip
