"""How the watch does on the labelled nights: python -m tests.bench.watch FOLDER [--half held-out].

FOLDER as for tests.bench.grading; its stored scan is copied. Each run is replayed frame by frame
by a clock that is passed in, with and without earlier nights, as it was and with a part of it
taken away so that it begins in cloud, out of focus or trailed.
"""

import argparse
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from runlog.actions.settle import Known, judge_run
from runlog.config import Settings
from runlog.core.frame import Frame, Grade
from runlog.core.grading.history import History
from runlog.core.grading.policy import Policy
from runlog.core.sky.daylight import sky_as_known
from runlog.core.watch.alarms import What
from runlog.store import history as history_store
from runlog.store import runs as run_store
from runlog.store.engine import open_engine, reading

from .labels import FrameLabel, status
from .nights import NightTruth, read_truths
from .watch_replay import Replayed, agrees, by_time, delays, due, replay

BAD_START = 6  # frames in trouble that a night is made to begin with


@dataclass(frozen=True)
class Case:
    """A night to replay."""

    night: NightTruth
    begins: str  # as it was, or bad
    frames: list[Frame]
    labels: list[FrameLabel]
    history: History

    def replayed(self, *, history: bool) -> Replayed:
        """Replay it with or without earlier nights."""
        return replay(self.frames, Policy(), self.history if history else {})


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
            yield from _begun_badly(night, own, label_of, known)


def _second(frame: Frame) -> str:
    return frame.header.taken_at_utc.isoformat()[:19] if frame.header.taken_at_utc else ""


def _begun_badly(
    night: NightTruth, frames: list[Frame], labels: list[FrameLabel], history: History
) -> Iterator[Case]:
    """Cut off what came before the first stretch in trouble, where enough good follows."""
    bad = [status(label) == "must" for label in labels]
    for n in range(1, len(bad) - BAD_START):
        if all(bad[n : n + 4]) and not bad[n - 1]:
            rest = [status(label) == "clean" for label in labels[n:]]
            if sum(rest) >= len(rest) / 2 and len(rest) >= 12:
                yield Case(night, "bad", frames[n:], labels[n:], history)
            return


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
            if alarm.what is What.ALARM:
                self.warned += 1
                self.false += all(
                    status(x) in ("clean", "slight") for x in case.labels[n - alarm.of + 1 : n + 1]
                )

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
            f"{name:34s} {self.nights:3d} nights {self.asked:5d} frames, first = last {share:5.1f} %; "
            f"clean {self.clean:5d}: rejected {self.clean_rejected}, doubted {self.clean_doubted}; "
            f"delay median/95 % {late}; warnings {self.warned}, false {self.false}"
        )


def main() -> None:
    """Print the numbers."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--database", type=Path, help="default: bench.sqlite in the folder")
    parser.add_argument("--half", choices=("tune", "held-out", "both"), default="tune")
    parser.add_argument("--list", action="store_true")
    parser.add_argument("--night", nargs="*", default=[])
    asked = parser.parse_args()
    nights = [n for n in read_truths(asked.folder) if asked.half in ("both", n.half)]
    nights = [n for n in nights if not asked.night or n.name in asked.night]
    sums: dict[str, Sum] = {}
    for case in cases(asked.database or asked.folder / "bench.sqlite", nights):
        for history in (True, False):
            if history and not case.history:
                continue
            run = case.replayed(history=history)
            name = f"{'with' if history else 'without'} history, begins {case.begins}"
            own = sums.setdefault(name, Sum())
            own.add(case, run, history=history)
            if asked.list:
                show(case, run, name, history=history)
    for name, own in sorted(sums.items()):
        print(own.line(name))
        print("   ", dict(own.kinds.most_common()))


def show(case: Case, run: Replayed, name: str, *, history: bool) -> None:
    """Print every frame whose first look was not the last word, and every warning."""
    print(f"\n== {case.night.name} ({case.night.kind}), {name}, due at {due(run)}")
    for n, label in enumerate(case.labels):
        look, last = run.looks[n], run.last[n]
        if agrees(run, n, history=history) is False:
            said = "; ".join(f"{f.name}: {f.evidence}" for f in look.verdict.faults)
            final = "; ".join(f"{f.name}: {f.evidence}" for f in last.faults)
            print(f"{n:3d} {status(label):6s} {look.verdict.grade} [{said or look.verdict.note}]"
                  f"\n           -> {last.grade} [{final or last.note}]")  # fmt: skip
    for n, alarm in run.alarms:
        print(f"    {n:3d} {alarm.what} {alarm.cause}: {alarm.frames} of {alarm.of}, {alarm.words}")


if __name__ == "__main__":
    main()
