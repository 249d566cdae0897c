"""False warnings on clean nights: python -m tests.bench.watch_clean [--first 0] [--nights 200].

Nights are drawn as rows of measurements (tests/bench/watch_rows.py). The clock goes on between
frames, so that overdue frames are told where one comes late. Seeds from 1000 on are held back.

Nothing breaks in these nights, but the air may be poor: a warning that stars are wide is true
where they were drawn so wide, against the nights or the frames that it names, and is counted
apart. All others are false.
"""

import argparse
from collections import Counter
from dataclasses import dataclass, replace
from datetime import timedelta

from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.grading.faults.soft import RATIO
from runlog.core.grading.grade import grade_run
from runlog.core.grading.history import History
from runlog.core.grading.policy import Policy
from runlog.core.grading.width import EARLIER_NIGHTS
from runlog.core.watch.alarms import Alarm, Alarms, Looked, What, advance
from runlog.core.watch.first_look import FirstLook, first_look
from runlog.core.watch.overdue import overdue

from .watch_replay import arrival, as_known_then, ticks
from .watch_rows import DrawnNight, clean_night, history_of, usual_before

POLICY = Policy()
MEASURED = 0.96  # of a width: three errors of measuring, which are 1.2 % in these rows


def watched(
    night: DrawnNight, history: History, after: timedelta = timedelta(hours=2)
) -> tuple[list[FirstLook], list[Alarm], list[Frame]]:
    """Watch one night, a tick of the clock every twenty seconds."""
    state, looks, said, known = Alarms(), [], [], []
    now = arrival(night.frames[0])
    for n, frame in enumerate(night.frames):
        for tick in ticks(now, arrival(frame)):
            state, more = overdue(state, night.waits, tick)
            said += more
        now = arrival(frame)
        known = as_known_then(night.frames[: n + 1], history=bool(history))
        look = first_look(known, frame.key, POLICY, history)
        looks.append(look)
        state, more = advance(state, Looked(known[n], look, now), now)
        said += more
    for tick in ticks(now, now + after):
        state, more = overdue(state, night.waits, tick)
        said += more
    return looks, said, known


@dataclass
class Count:
    """What is counted over the nights of one kind."""

    nights: int = 0
    warned: int = 0  # nights
    true: int = 0  # warnings of stars that were drawn so wide
    frames: int = 0
    same: int = 0

    def __post_init__(self) -> None:
        self.causes: Counter[str] = Counter()
        self.first: Counter[str] = Counter()

    def line(self) -> str:
        """Print it as one line."""
        return (
            f"{self.nights} nights: {self.causes.total() - self.true} false warnings, {self.true} "
            f"of poor seeing (on {self.warned} nights {dict(self.causes)}); "
            f"first looks {dict(self.first)}, "
            f"{100 * self.same / max(self.frames, 1):.2f} % of {self.frames} the last word"
        )


def is_true(alarm: Alarm, night: DrawnNight, looks: list[FirstLook], before: float | None) -> bool:
    """Tell whether the stars of a warning's frames were drawn as wide as what is doubtful.

    Against what was usual `before`, or in the run so far; an error of measuring is allowed for.
    """
    if alarm.cause != FaultName.SOFT:
        return False
    starts = [f.header.taken_at_utc for f in night.frames]
    last = max(n for n, at in enumerate(starts) if at and at <= alarm.at_utc)
    own = [n for n, at in enumerate(starts[: last + 1]) if at and at >= alarm.since_utc]
    bad = [n for n in own if looks[n].verdict.faults]
    so_far = replace(night, ratios=night.ratios[: last + 1]).usual
    by_run = night.times(bad, so_far) >= MEASURED * POLICY[RATIO].doubtful
    if before is None:
        return by_run
    return by_run or night.times(bad, before) >= MEASURED * POLICY[EARLIER_NIGHTS].doubtful


def count(
    own: Count, night: DrawnNight, earlier: History, before: float | None, listed: str
) -> None:
    """Watch one night and count what was said; `before` is what was usual on nights before."""
    looks, alarms, known = watched(night, earlier)
    final = grade_run(known, POLICY, earlier)
    began = [a for a in alarms if a.what is not What.CLEARED]
    own.nights += 1
    own.warned += bool(began)
    own.causes.update(a.cause for a in began)
    told = [is_true(a, night, looks, before) for a in began]
    own.true += sum(told)
    for n, (frame, look) in enumerate(zip(known, looks, strict=True)):
        own.first[str(look.verdict.grade)] += 1
        if not earlier and n < 2 and look.verdict.grade is Grade.UNGRADED:
            continue
        own.frames += 1
        own.same += look.verdict.grade is final[frame.key].grade
    if listed:
        for alarm, true in zip(began, told, strict=True):
            print(
                listed,
                "true" if true else "FALSE",
                alarm.what,
                alarm.cause,
                alarm.at_utc,
                alarm.words,
                flush=True,
            )


def main() -> None:
    """Print how many warnings clean nights bring, and what first looks say of their frames."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--nights", type=int, default=200)
    parser.add_argument("--list", action="store_true")
    asked = parser.parse_args()
    counts: dict[str, Count] = {}
    for seed in range(asked.first, asked.first + asked.nights):
        night = clean_night(seed)
        for past in ("with", "without"):
            name = f"{past} history"
            earlier = history_of(seed, POLICY) if past == "with" else {}
            before = usual_before(seed) if past == "with" else None
            listed = f"seed {seed}, {name}:" if asked.list else ""
            count(counts.setdefault(name, Count()), night, earlier, before, listed)
        if seed == asked.first + asked.nights - 1 or seed % 25 == 24:
            print(f"up to seed {seed}:")
            for name, own in sorted(counts.items()):
                print(f"  {name}: {own.line()}", flush=True)


if __name__ == "__main__":
    main()
