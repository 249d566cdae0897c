"""What a watch asks of the core: the first look at a frame, what it means for the warnings."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from math import log
from typing import Any

from runlog.core.frame import Frame, Grade, Verdict
from runlog.core.grading.history import History
from runlog.core.grading.policy import Policy


@dataclass(frozen=True, slots=True)
class Warned:
    """A warning of a run, or that it is over."""

    kind: str
    cause: str
    words: str
    since_utc: datetime | None = None
    frames: int | None = None


H, BAD, GOOD = 10.0, log(0.7 / 0.02), log(0.3 / 0.98)


def first_look(frame: Frame, run: Sequence[Frame], policy: Policy, earlier: History) -> Verdict:
    """Judge the newest frame of a run."""
    own = frame.judgement
    return Verdict(own.auto_grade, own.faults, own.note)


def advance(
    state: Mapping[str, Any], frame: Frame, verdict: Verdict, now: datetime
) -> tuple[dict[str, Any], list[Warned]]:
    """Take a frame that was looked at into the warnings of its run."""
    state, told = {k: dict(v) for k, v in state.items()}, []
    names = {f.name.value: f.grade for f in verdict.faults}
    for cause in state.keys() | names.keys():
        own = state.setdefault(cause, {"s": 0.0, "on": False, "n": 0, "since": None})
        if cause in names:
            own["s"] += BAD if names[cause] is Grade.REJECT else BAD / 2
            own["n"] += 1
            own["since"] = own["since"] or (frame.header.taken_at_utc or now).isoformat()
        else:
            own["s"] = max(0.0, own["s"] + GOOD)
        since = datetime.fromisoformat(own["since"]) if own["since"] else None
        if own["s"] >= H and not own["on"]:
            own["on"] = True
            words = f"{cause}: {own['n']} frames"
            told.append(Warned("alarm", cause, words, since, own["n"]))
        if cause not in names and own["on"]:
            own.update(on=False, s=0.0, n=0, since=None)
            told.append(Warned("cleared", cause, f"{cause}: clear again"))
        if own["s"] == 0.0 and not own["on"]:
            own.update(n=0, since=None)
    return state, told


def overdue(
    state: Mapping[str, Any], run: Sequence[Frame], now: datetime, resumed: datetime | None
) -> tuple[dict[str, Any], list[Warned]]:
    """Warn when the next frame of a run should have come by now."""
    return dict(state), []
