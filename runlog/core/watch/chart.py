"""One cause's chart: a cumulative sum of what each frame says for and against trouble.

Page 1954, Biometrika 41, 100 (the sum that never falls below nothing); Wald 1945, Annals of
Mathematical Statistics 16, 117 (the log-likelihood ratios it adds).
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from math import log

from runlog.core.frame import Grade

CHANCE = 0.02  # of a clean frame to look bad: grading keeps 98 %
TROUBLE = 0.7  # of a frame in trouble to look bad
BAD = log(TROUBLE / CHANCE)  # +3.555
GOOD = log((1 - TROUBLE) / (1 - CHANCE))  # -1.184
# The third reject in a row passes it, or the sixth doubtful frame. A sequence that looks bad by
# chance in 2 % of its frames, each by itself, passes it once in 103,000 (7: once in 2,425).
ALARM = 10.0
# The same ratios the other way round, from the frame that is good again: the third in a row.
OVER = 3.5
WEIGHT = {Grade.REJECT: 1.0, Grade.DOUBTFUL: 0.5}


@dataclass(frozen=True, slots=True)
class Chart:
    """How far one cause has come."""

    score: float = 0.0
    good: float = 0.0  # how far it has come to be over, while it is on
    since_utc: datetime | None = None  # start of the first frame in trouble
    good_since_utc: datetime | None = None  # start of the first good frame, while it is on
    bad: int = 0  # frames in trouble
    frames: int = 0  # since the first of them
    faults: tuple[tuple[str, float], ...] = ()  # what they showed, with its weight
    on: bool = False  # it was warned of
    said: str = ""  # as what

    @property
    def leading(self) -> str:
        """Name the fault that most of its frames show; of as many the first seen."""
        return max(self.faults, key=lambda fault: fault[1])[0] if self.faults else ""

    @property
    def reached(self) -> bool:
        """Tell whether it is time to warn."""
        return not self.on and self.score >= ALARM

    @property
    def is_over(self) -> bool:
        """Tell whether it is time to say that it is over."""
        return self.on and self.good >= OVER


def with_frame(chart: Chart, found: Mapping[str, float], start_utc: datetime) -> Chart:
    """Add a frame: `found` are the faults of this cause with weights up to 1, empty for none."""
    weight = max(found.values(), default=0.0)
    if chart.on:
        return _still_on(chart, weight, start_utc)
    score = chart.score + (weight * BAD if weight else GOOD)
    if score <= 0:
        return Chart()
    counts = dict(chart.faults)
    for fault, own in found.items():
        counts[fault] = counts.get(fault, 0.0) + own
    return replace(
        chart,
        score=score,
        since_utc=chart.since_utc or start_utc,
        bad=chart.bad + bool(weight),
        frames=chart.frames + 1,
        faults=tuple(counts.items()),
    )


def _still_on(chart: Chart, weight: float, start_utc: datetime) -> Chart:
    good = max(chart.good + (-weight * BAD if weight else -GOOD), 0.0)
    since = (chart.good_since_utc or start_utc) if good and not weight else chart.good_since_utc
    return replace(
        chart,
        good=good,
        good_since_utc=since if good else None,
        bad=chart.bad + bool(weight),
        frames=chart.frames + 1,
    )


def warned(chart: Chart, cause: str) -> Chart:
    """Note that it was warned of, and as what."""
    return replace(chart, on=True, said=cause, good=0.0, good_since_utc=None)
