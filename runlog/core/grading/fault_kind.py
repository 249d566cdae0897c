"""What a fault is: its name, its settings, its rules with their words, and what it explains."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import IntEnum
from typing import Any

from runlog.core.frame import Fault, FaultName, Grade
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.policy import Limit, Setting


class Turn(IntEnum):
    """When a rule is asked: causes before what follows from them."""

    RUN = 0  # did something break? Against the frame's own run
    NIGHTS = 1  # is the whole night poor? Against earlier nights and a person's own limits
    REST = 2  # what is a fault only where nothing else was found, and what is only noted


@dataclass(frozen=True, slots=True)
class Rule:
    """Something to ask of a frame; it yields what it found, within the limit or past it."""

    ask: Callable[[ComparedFrame], Iterator["Check"]]
    turn: Turn = Turn.RUN
    alone: bool = False  # asked as well of a frame that nothing compares with


@dataclass(frozen=True, slots=True)
class Explains:
    """Other faults that one fault brings with it: they are not held against a frame twice."""

    kinds: tuple["FaultKind", ...]
    why: str
    only_reject: bool = False  # the cause must be that bad
    # What hides all that is measured on the stars comes first; then, which of several causes of
    # the same symptom is named.
    rank: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class FaultKind:
    """One kind of fault, all of it; `faults/` holds one a file."""

    name: FaultName  # as published; two kinds may share one
    rules: tuple[Rule, ...]
    settings: tuple[Setting[Any], ...] = ()
    explains: tuple[Explains, ...] = ()
    # Why any other fault accounts for this one; empty for a fault that stands beside others.
    explained_by_any: str = ""

    def against(
        self,
        this: ComparedFrame,
        setting: Setting[Limit],
        value: float,
        what: str,
        evidence: str,
        grade: Grade | None = None,
    ) -> "Check":
        """Check a value against a limit in force; `grade` where more than the limit decides."""
        limit = this.policy[setting]
        graded = setting.grade(value, limit) if grade is None else grade
        return Check(self, what, graded, evidence, value, limit, setting)

    def against_own(
        self,
        this: ComparedFrame,
        setting: Setting[Limit | None],
        value: float,
        what: str,
        evidence: str,
    ) -> Iterator["Check"]:
        """Check a value against a limit that holds only where a person set it."""
        limit = this.policy[setting]
        if limit is not None:
            text = evidence.format(limit=limit.doubtful)
            yield Check(self, what, setting.grade(value, limit), text, value, limit, setting)

    def noted(
        self,
        what: str,
        value: float,
        evidence: str,
        setting: Setting[float] | None = None,
        *,
        when: bool,
    ) -> "Check":
        """Note what is worth saying though it costs nothing."""
        return Check(self, what, Grade.KEEP, evidence, value, setting=setting, noted=when)


@dataclass(frozen=True, slots=True)
class Check:
    """What was looked at, against which limit, and what follows."""

    kind: FaultKind
    what: str
    grade: Grade  # keep when within the limit
    evidence: str
    value: float | None = None
    limit: Limit | None = None
    setting: Setting[Any] | None = None
    noted: bool = False  # a fault that is worth saying though it costs nothing

    @property
    def fault(self) -> FaultName:
        """Name the fault as it is published."""
        return self.kind.name

    @property
    def is_fault(self) -> bool:
        """Tell whether the frame shows this fault."""
        return self.noted or self.grade is not Grade.KEEP

    def as_fault(self) -> Fault:
        """Give the fault with its evidence."""
        return Fault(self.fault, self.grade, self.evidence)
