"""A person decides on frames, changes their mind, and changes it back."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from sqlalchemy import Engine

from runlog.store.decisions import Decision, append_decisions, grades_shown, latest_marks
from runlog.store.engine import reading, writing
from runlog.store.marks import AUTO, Mark
from runlog.store.review import lines_by_id

Decide = Callable[[int, Mark | None], Decision]


@dataclass(frozen=True, slots=True)
class Step:
    """What one key did: the marks it made and what each frame had before."""

    made: Mapping[int, int]  # frame -> its mark after this step
    before: Mapping[int, Decision]
    after: Mapping[int, Decision]
    passed_over: tuple[str, ...] = ()  # who marked frames meanwhile, so they were left alone
    shown_before: Mapping[int, str] = field(default_factory=dict)  # "doubtful", a person's "keep *"
    shown_after: Mapping[int, str] = field(default_factory=dict)
    noted: int = 0  # of the frames, those of a rig that others keep: a note, no grade

    @property
    def frames(self) -> int:
        """How many frames it touched."""
        return len(self.made)


def judge(engine: Engine, frame_ids: Sequence[int], grade: str, who: str) -> Step:
    """Give frames a grade, or with `auto` take one's own back; notes stay."""
    return _write(engine, frame_ids, who, lambda i, was: Decision(i, grade, _kept_note(was, grade)))


def _kept_note(was: Mark | None, grade: str) -> str | None:
    return was.note if was and grade != AUTO else None


def annotate(engine: Engine, frame_ids: Sequence[int], note: str | None, who: str) -> Step:
    """Write a note on frames; a note belongs to a mark, so the grade shown becomes a person's."""
    with reading(engine) as connection:
        shown = {
            line.identity.id: line.judgement.grade
            for line in lines_by_id(connection, frame_ids).values()
        }
    known = [i for i in frame_ids if i in shown]
    return _write(engine, known, who, lambda i, _: Decision(i, _markable(shown[i]), note))


def _markable(grade: str) -> str:
    return "doubtful" if grade == "ungraded" else grade


def take_back(engine: Engine, step: Step, who: str) -> Step:
    """Undo a step by marks that restore what was there; frames others marked since stay theirs.

    The step it returns undoes the undoing.
    """
    with writing(engine) as connection:
        now = latest_marks(connection, list(step.made), who)
        mine = [i for i in step.made if i in now and now[i].id == step.made[i]]
        others = tuple(sorted({now[i].who for i in step.made if i in now and i not in set(mine)}))
        decisions = [step.before[i] for i in mine]
        append_decisions(connection, decisions, now, who, datetime.now(UTC))
        made = {i: mark.id for i, mark in latest_marks(connection, mine, who).items()}
    restored = {d.frame_id: d for d in decisions}
    return Step(made, {i: step.after[i] for i in mine}, restored, others)


def _write(engine: Engine, frame_ids: Sequence[int], who: str, decide: Decide) -> Step:
    ids = list(dict.fromkeys(frame_ids))
    with writing(engine) as connection:
        was, before = latest_marks(connection, ids, who), grades_shown(connection, ids)
        decisions = [decide(i, was.get(i)) for i in ids]
        decided = append_decisions(connection, decisions, was, who, datetime.now(UTC))
        made = {i: mark.id for i, mark in latest_marks(connection, ids, who).items()}
        after = grades_shown(connection, ids)
    return Step(
        made,
        {i: _as_decision(i, was.get(i)) for i in ids},
        {d.frame_id: d for d in decisions},
        shown_before=before,
        shown_after=after,
        noted=len(ids) - len(decided),
    )


def _as_decision(frame_id: int, mark: Mark | None) -> Decision:
    return Decision(frame_id, mark.grade, mark.note) if mark else Decision(frame_id, AUTO, None)
