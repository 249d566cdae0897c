"""How the watch does on the labelled nights: python -m tests.bench.watch FOLDER [--half held-out].

FOLDER as for tests.bench.grading; its stored scan is copied. Each run is replayed frame by frame
by a clock that is passed in: with earlier nights, with earlier nights of the very field (as clear
as this one was), and without any; as it was, with its first frames put in trouble, cut so that it
begins in its own trouble, and with its clean frames alone (where frames were taken out, others are
overdue: those are counted as false, and are not).
"""

import argparse
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from statistics import median

from runlog.actions.settle import Known, judge_run
from runlog.config import Settings
from runlog.core.frame import Frame, Grade
from runlog.core.grading.baseline import clearest
from runlog.core.grading.history import History
from runlog.core.grading.policy import Policy
from runlog.core.grading.summary import group_of
from runlog.core.sky.daylight import sky_as_known
from runlog.core.watch.advice import advice, sentence
from runlog.core.watch.alarms import What
from runlog.store import history as history_store
from runlog.store import runs as run_store
from runlog.store.engine import open_engine, reading
from tests.core.runs import altered

from .labels import FrameLabel, cause_of, status
from .nights import NightTruth, read_truths
from .watch_begins import BEGINNINGS, begun
from .watch_replay import Replayed, agrees, by_time, delays, due, replay

CUT = ("cloud", "defocus", "trail", "dew", "obstruction", "bright sky")
WITH, OF_FIELD, WITHOUT = "with history", "with history of the field", "without history"
LEAST_CLEAN = 20  # frames, for a night of clean ones alone
BAD_START = 6  # frames in trouble that a night is made to begin with


@dataclass(frozen=True)
class Case:
    """A night to replay."""

    night: NightTruth
    begins: str  # as it was, or bad
    frames: list[Frame]
    labels: list[FrameLabel]
    history: History
    clear: list[Frame] = field(default_factory=list)  # the same night as it was, before spoiling

    def replayed(self, past: str) -> Replayed | None:
        """Replay it with earlier nights, with some of this very field, or without any."""
        if past == WITHOUT:
            return replay(self.frames, Policy(), {})
        if not self.history or (past == OF_FIELD and not self.clear):
            return None
        if past == WITH:
            return replay(self.frames, Policy(), self.history)
        frames = [altered(f, field_runs=2) for f in self.frames]
        return replay(frames, Policy(), _of_field(self.history, self.clear))


def _of_field(history: History, clear: Sequence[Frame]) -> History:
    """Add to earlier nights that they showed this field, as clear as this night really was."""
    found = {}
    for group, earlier in history.items():
        own = [f for f in clear if group_of(f) == group and f.placement.matched_to]
        fields = {f.placement.matched_to for f in own}
        lights = {
            field: clearest(
                f.placement.transparency for f in own if f.placement.matched_to == field
            )
            for field in fields
        }
        known = {name: share for name, share in lights.items() if name and share}
        found[group] = replace(earlier, lights={**earlier.lights, **known})
    return found


def cases(database: Path, nights: Sequence[NightTruth]) -> Iterator[Case]:
    """Read the runs of nights as they are settled, and cut from them nights that begin badly."""
    by_run = {(night.evening, night.rig): night for night in nights}
    engine = open_engine(str(database))
    with reading(engine) as connection:
        for run in run_store.all_runs(connection):
            judged = judge_run(connection, run, Settings(), Known())
            lights = by_time(sky_as_known([j.frame for j in judged if j.is_light]))
            if not lights:
                continue
            night = by_run.get((run.night, lights[0].context.rig.split()[0].lower()))
            if night is None:
                continue
            history = history_store.of_frames(connection, run.rig_id, run.night, lights)
            before = {g: e.earlier_alone for g, e in history.items()}
            known = {g: e for g, e in before.items() if e is not None}
            labels = {label.start_utc[:19]: label for label in night.frames}
            told = [labels.get(_second(f)) for f in lights]
            both = [(f, label) for f, label in zip(lights, told, strict=True) if label]
            own, label_of = [f for f, _ in both], [label for _, label in both]
            yield Case(night, "as it was", own, label_of, known)
            clean = [n for n, label in enumerate(label_of) if status(label) == "clean"]
            if len(clean) >= LEAST_CLEAN:
                alone = [own[n] for n in clean], [label_of[n] for n in clean]
                yield Case(night, "with its clean frames alone", *alone, known)
            yield from _begun_badly(night, own, label_of, known)


def _second(frame: Frame) -> str:
    return frame.header.taken_at_utc.isoformat()[:19] if frame.header.taken_at_utc else ""


def _begun_badly(
    night: NightTruth, frames: list[Frame], labels: list[FrameLabel], history: History
) -> Iterator[Case]:
    """Cut off what came before the first stretch in trouble; put the beginning into trouble."""
    causes = [(found := cause_of(label)) and found.cause for label in labels]
    bad = [s == "must" and c in CUT for s, c in zip(map(status, labels), causes, strict=True)]
    for n in range(1, len(bad) - BAD_START):
        if all(bad[n : n + 4]) and not bad[n - 1]:
            rest = [status(label) == "clean" for label in labels[n:]]
            if sum(rest) >= len(rest) / 2 and len(rest) >= 12:
                yield Case(night, "in its trouble (cut)", frames[n:], labels[n:], history)
            break
    for name in BEGINNINGS:
        spoilt = begun(name, frames, labels)
        if spoilt is not None:
            yield Case(night, name, *spoilt, history, frames)


@dataclass
class Sum:
    """What is counted over nights."""

    asked: int = 0
    same: int = 0
    clean: int = 0
    clean_rejected: int = 0
    clean_doubted: int = 0
    nights: int = 0
    false: int = 0
    warned: int = 0
    overdue: int = 0
    overdue_false: int = 0

    def __post_init__(self) -> None:
        self.delays: list[int | None] = []
        self.kinds: Counter[str] = Counter()

    def add(self, case: Case, run: Replayed, *, history: bool) -> None:
        """Count one night."""
        self.nights += 1
        for n, label in enumerate(case.labels):
            told = agrees(run, n, history=history)
            if told is not None:
                self.asked += 1
                self.same += told
            if not told and told is not None:
                self.kinds[f"{run.looks[n].verdict.grade} then {run.last[n].grade}"] += 1
            if status(label) == "clean":
                self.clean += 1
                self.clean_rejected += run.looks[n].verdict.grade is Grade.REJECT
                self.clean_doubted += run.looks[n].verdict.grade is Grade.DOUBTFUL
        self.delays += delays(run)
        for n, alarm in run.alarms:
            if alarm.what is What.OVERDUE:
                self.overdue += 1
                self.overdue_false += not case.labels[n].after_pause
            if alarm.what is What.ALARM:
                self.warned += 1
                self.false += is_false(case.labels, n, alarm.of)

    def line(self, name: str) -> str:
        """Print it as one line."""
        known = sorted(9999 if d is None else d for d in self.delays)
        late = (
            f"{median(known):.0f} / {known[int(0.95 * (len(known) - 1))]} of {len(known)}"
            if known
            else "none due"
        )
        share = 100 * self.same / self.asked if self.asked else 100.0
        return (
            f"{name:48s} {self.nights:2d} nights {self.asked:5d} frames, first=last {share:.1f} %; "
            f"clean {self.clean:5d}: rejected {self.clean_rejected}, doubted {self.clean_doubted}; "
            f"delay median/95 % {late}; warnings {self.warned}, false {self.false}; "
            f"overdue {self.overdue}, false {self.overdue_false}"
        )


def is_false(labels: Sequence[FrameLabel], n: int, frames: int) -> bool:
    """Tell whether a warning was of frames in which nothing was drawn."""
    own = labels[max(n - frames + 1, 0) : n + 1]
    return all(status(x) in ("clean", "slight") and abs(x.sensor_off_c) < 2 for x in own)


def main() -> None:
    """Print the numbers."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--database", type=Path, help="default: bench.sqlite in the folder")
    parser.add_argument("--half", choices=("tune", "held-out", "both"), default="tune")
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--real", type=Path, help="a database of real runs to replay instead")
    parser.add_argument("--night", nargs="*", default=[])
    asked = parser.parse_args()
    nights = [n for n in read_truths(asked.folder) if asked.half in ("both", n.half)]
    nights = [n for n in nights if not asked.night or n.name in asked.night]
    sums: dict[str, Sum] = {}
    if asked.real:
        show_real(asked.real)
        return
    for case in cases(asked.database or asked.folder / "bench.sqlite", nights):
        for past in (WITH, OF_FIELD, WITHOUT):
            run = case.replayed(past)
            if run is None:
                continue
            name = f"{past}, begins {case.begins}"
            sums.setdefault(name, Sum()).add(case, run, history=past != WITHOUT)
            if asked.list:
                show(case, run, name, history=past != WITHOUT)
    for name, own in sorted(sums.items()):
        print(own.line(name))
        print("   ", dict(own.kinds.most_common()))


def show_real(database: Path) -> None:
    """Replay every run of a database of real frames; nothing is known of them but the last word."""
    engine = open_engine(str(database))
    with reading(engine) as connection:
        for run in run_store.all_runs(connection):
            judged = judge_run(connection, run, Settings(), Known())
            lights = by_time(sky_as_known([j.frame for j in judged if j.is_light]))
            if not lights:
                continue
            history = history_store.of_frames(connection, run.rig_id, run.night, lights)
            told = replay(lights, Policy(), history)
            print(
                f"\n== {run.night}, {len(lights)} lights, {len(history)} earlier, due {due(told)}"
            )
            for n, (frame, look) in enumerate(zip(told.frames, told.looks, strict=True)):
                said = "; ".join(f"{f.name}: {f.evidence}" for f in look.verdict.faults)
                at = f"{frame.header.taken_at_utc:%H:%M}"
                print(f"{n:3d} {at} {look.verdict.grade} -> {told.last[n].grade} {said[:110]}")
            for n, alarm in told.alarms:
                print(
                    f"    {n:3d} {alarm.what}: {sentence(alarm)} [{advice(alarm, lights[: n + 1])}]"
                )


def show(case: Case, run: Replayed, name: str, *, history: bool) -> None:
    """Print every frame whose first look was not the last word, and every warning."""
    print(f"\n== {case.night.name} ({case.night.kind}), {name}, due at {due(run)}")
    for n, label in enumerate(case.labels):
        look, last = run.looks[n], run.last[n]
        wronged = status(label) == "clean" and look.verdict.grade is Grade.REJECT
        if agrees(run, n, history=history) is False or wronged:
            said = "; ".join(f"{f.name}: {f.evidence}" for f in look.verdict.faults)
            final = "; ".join(f"{f.name}: {f.evidence}" for f in last.faults)
            print(f"{n:3d} {status(label):6s} {look.verdict.grade} [{said or look.verdict.note}]"
                  f"\n           -> {last.grade} [{final or last.note}]")  # fmt: skip
    for n, alarm in run.alarms:
        false = " FALSE" * (alarm.what is What.ALARM and is_false(case.labels, n, alarm.of))
        count = f"{alarm.frames} of {alarm.of}"
        print(f"    {n:3d} {alarm.what} {alarm.cause}: {count}, {alarm.words}{false}")


if __name__ == "__main__":
    main()
