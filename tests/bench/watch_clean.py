"""False warnings on clean nights: python -m tests.bench.watch_clean [--first 0] [--nights 200].

Nights are drawn as rows of measurements (tests/bench/watch_rows.py). The clock goes on between
frames, so that overdue frames are told where one comes late. Seeds from 1000 on are held back.
"""

import argparse
from collections import Counter
from collections.abc import Iterator
from datetime import datetime, timedelta

from runlog.core.frame import Frame, Grade
from runlog.core.grading.grade import grade_run
from runlog.core.grading.policy import Policy
from runlog.core.watch.alarms import Alarm, Alarms, Looked, What, advance
from runlog.core.watch.first_look import FirstLook, first_look
from runlog.core.watch.overdue import overdue

from .watch_replay import arrival, as_known_then
from .watch_rows import DrawnNight, clean_night, history_of

TICK = timedelta(seconds=20)
POLICY = Policy()


def watched(
    night: DrawnNight, history: dict, after: timedelta = timedelta(hours=2)
) -> tuple[list[FirstLook], list[Alarm], list[Frame]]:
    """Watch one night, a tick of the clock every twenty seconds."""
    state, looks, said, known = Alarms(), [], [], []
    now = arrival(night.frames[0])
    for n, frame in enumerate(night.frames):
        for tick in _ticks(now, arrival(frame)):
            state, more = overdue(state, night.waits, tick)
            said += more
        now = arrival(frame)
        known = as_known_then(night.frames[: n + 1], history=bool(history))
        look = first_look(known, frame.key, POLICY, history)
        looks.append(look)
        state, more = advance(state, Looked(known[n], look, now), now)
        said += more
    for tick in _ticks(now, now + after):
        state, more = overdue(state, night.waits, tick)
        said += more
    return looks, said, known


def _ticks(start: datetime, end: datetime) -> Iterator[datetime]:
    at = start + TICK
    while at < end:
        yield at
        at += TICK


def main() -> None:
    """Print how many warnings clean nights bring, and what first looks say of their frames."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--nights", type=int, default=200)
    parser.add_argument("--list", action="store_true")
    asked = parser.parse_args()
    for history in (True, False):
        said, grades, last = Counter(), Counter(), Counter()
        same = total = nights = 0
        for seed in range(asked.first, asked.first + asked.nights):
            night = clean_night(seed)
            earlier = history_of(seed, POLICY) if history else {}
            looks, alarms, known = watched(night, earlier)
            final = grade_run(known, POLICY, earlier)
            began = [a for a in alarms if a.what is not What.CLEARED]
            nights += bool(began)
            said.update(a.cause for a in began)
            for n, (frame, look) in enumerate(zip(known, looks, strict=True)):
                grades[str(look.verdict.grade)] += 1
                last[str(final[frame.key].grade)] += 1
                early = not history and n < 2 and look.verdict.grade is Grade.UNGRADED
                total += not early
                same += not early and look.verdict.grade is final[frame.key].grade
            if asked.list:
                for alarm in began:
                    print(seed, alarm.what, alarm.cause, alarm.at_utc, alarm.words)
        print(f"{'with' if history else 'without'} history: {asked.nights} nights from seed "
              f"{asked.first}: {said.total()} false warnings on {nights} nights {dict(said)}; "
              f"first looks {dict(grades)}, last word {dict(last)}, the same "
              f"{100 * same / total:.2f} %", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
