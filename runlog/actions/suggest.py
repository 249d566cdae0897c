"""Compare a person's marks with the automatic grades and propose limits that agree better."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from sqlalchemy import Engine

from runlog.actions.rig_settings import settings_of
from runlog.actions.settle import Known, judge_run
from runlog.config import Settings
from runlog.core.columns import plural
from runlog.core.frame import Grade
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.fault_kind import Check
from runlog.core.grading.grade import explain_run, verdict_of
from runlog.core.grading.policy import Limit, Policy, Sense, Setting
from runlog.store import history
from runlog.store import marks as mark_store
from runlog.store import runs as run_store
from runlog.store.engine import reading

FEWEST_MARKS = 8
LEAST_GAIN = 2  # frames more that agree; one may be a slip of the finger


@dataclass(frozen=True, slots=True)
class Marked:
    """A frame with a person's grade and everything it was checked for."""

    compared: ComparedFrame
    checks: tuple[Check, ...]
    wanted: Grade
    policy: Policy  # of its rig


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A limit that would have agreed better with the marks, and the evidence for it."""

    setting: str
    now: Limit
    better: Limit
    agree_now: int
    agree_then: int
    marks: int
    evidence: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """How the automatic grades agree with the marks."""

    marks: int
    agree: int
    too_strict: int  # the person kept what was not graded keep
    too_mild: int  # the person did not keep what was graded keep
    suggestions: tuple[Suggestion, ...]


def compare(engine: Engine, settings: Settings) -> Comparison:
    """Compare marks with grades under the limits in force; changes nothing."""
    marked = list(_marked(engine, settings))
    kept = [(m.wanted is Grade.KEEP, _auto(m) is Grade.KEEP) for m in marked]
    return Comparison(
        len(marked),
        sum(a == b for a, b in kept),
        sum(person and not auto for person, auto in kept),
        sum(auto and not person for person, auto in kept),
        tuple(_suggestions(marked)) if len(marked) >= FEWEST_MARKS else (),
    )


def _marked(engine: Engine, settings: Settings) -> Iterator[Marked]:
    known = Known()
    with reading(engine) as connection:
        marked_runs = mark_store.runs_with_marks(connection)
        for run in run_store.all_runs(connection):
            if run.id not in marked_runs:
                continue
            policy = settings_of(connection, run.rig_id, settings).policy
            judged = judge_run(connection, run, settings, known)
            lights = [j for j in judged if j.is_light]
            frames = [j.frame for j in lights]
            earlier = history.of_frames(connection, run.rig_id, run.night, frames)
            explained = explain_run(frames, policy, earlier)
            for j in lights:
                _, compared, checks = explained[j.frame.key]
                if j.frame.judgement.graded_by == "person" and compared is not None:
                    yield Marked(compared, tuple(checks), j.frame.judgement.grade, policy)


def _auto(marked: Marked) -> Grade:
    return verdict_of(marked.compared, marked.checks).grade


def _agreement(marked: Sequence[Marked]) -> int:
    return sum((m.wanted is Grade.KEEP) == (_auto(m) is Grade.KEEP) for m in marked)


def _suggestions(marked: Sequence[Marked]) -> Iterator[Suggestion]:
    now = _agreement(marked)
    for setting in sorted(_settings(marked), key=lambda setting: setting.name):
        limits = {m.policy[setting] for m in marked}
        limit = limits.pop()
        if limits:  # where rigs differ, one limit speaks for none
            continue
        best = max(
            ((_agreement(_with(marked, setting, c)), -_distance(c, limit), c)
             for c in _candidates(marked, setting, limit)),
            key=lambda entry: entry[:2],
            default=None,
        )  # fmt: skip
        if best is not None and best[0] >= now + LEAST_GAIN:
            yield Suggestion(
                setting.name, limit, best[2], now, best[0], len(marked), _evidence(marked, setting)
            )


def _settings(marked: Sequence[Marked]) -> set[Setting[Limit]]:
    """Gather the settings that frames were held against."""
    return {c.setting for m in marked for c in m.checks if c.setting and c.limit}


def _evidence(marked: Sequence[Marked], setting: Setting[Limit]) -> str:
    """Say what the person kept and did not keep, in the values this limit is set against."""
    more = setting.bad is Sense.ABOVE
    kept = _values((m for m in marked if m.wanted is Grade.KEEP), setting, more=more)
    not_kept = _values((m for m in marked if m.wanted is not Grade.KEEP), setting, more=more)
    words = []
    if kept:
        worst = max(kept) if more else min(kept)
        words.append(
            f"the {plural(len(kept), 'frame')} you kept {'goes' if len(kept) == 1 else 'go'} "
            f"{'up' if more else 'down'} to {worst:.2f}"
        )
    if not_kept:
        mildest = min(not_kept) if more else max(not_kept)
        begin = "begins" if len(not_kept) == 1 else "begin"
        words.append(f"the {len(not_kept)} you did not keep {begin} at {mildest:.2f}")
    else:
        words.append("you marked no frame here that is not to be kept, so nothing bounds it")
    return "; ".join(words)


def _values(marked: Iterable[Marked], setting: Setting[Limit], *, more: bool) -> list[float]:
    """Take each frame's worst value for a limit."""
    values = ([c.value for c in m.checks if c.setting is setting and c.value is not None]
              for m in marked)  # fmt: skip
    return [max(own) if more else min(own) for own in values if own]


def _candidates(marked: Sequence[Marked], setting: Setting[Limit], limit: Limit) -> Iterator[Limit]:
    """Try the middles between neighbouring values as the limit for doubtful."""
    values = sorted({c.value for m in marked for c in m.checks
                     if c.setting is setting and c.value is not None})  # fmt: skip
    up = setting.bad is Sense.ABOVE
    for a, b in pairwise(values):
        middle = round((a + b) / 2, 3)
        reject = max(middle, limit.reject) if up else min(middle, limit.reject)
        yield Limit(middle, reject)


def _distance(candidate: Limit, limit: Limit) -> float:
    """Of limits that agree equally well the one nearest to today's is proposed."""
    return abs(candidate.doubtful - limit.doubtful)


def _with(marked: Sequence[Marked], setting: Setting[Limit], limit: Limit) -> list[Marked]:
    return [replace(m, checks=tuple(_moved(c, setting, limit) for c in m.checks)) for m in marked]


def _moved(check: Check, setting: Setting[Limit], limit: Limit) -> Check:
    if check.setting is not setting or check.value is None or check.limit is None:
        return check
    return replace(check, limit=limit, grade=setting.grade(check.value, limit))
