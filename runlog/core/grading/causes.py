"""Which fault explains which: what a cause brings with it is not held against a frame twice."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.fault_kind import Check, Explains, FaultKind


@dataclass(frozen=True, slots=True)
class Override:
    """The cause that a check's finding is put down to, and why."""

    by: FaultName
    why: str


def overrides(checks: Sequence[Check]) -> Mapping[int, Override]:
    """Find the checks, by their place, whose finding another check's fault accounts for."""
    left = {i: c for i, c in enumerate(checks) if c.is_fault}
    put_down: dict[int, Override] = {}
    for cause, explains in _explanations(left.values()) if len(left) > 1 else ():
        if not any(_causes(c, cause, explains) for c in left.values()):
            continue  # it was put down to something itself
        for i in [i for i, c in left.items() if c.kind in explains.kinds]:
            put_down[i] = Override(cause.name, explains.why)
            del left[i]
    return put_down | _by_any(left)


def counted(checks: Sequence[Check]) -> list[Check]:
    """Keep the faults that are held against a frame."""
    put_down = overrides(checks)
    return [c for i, c in enumerate(checks) if c.is_fault and i not in put_down]


def _explanations(found: Iterable[Check]) -> list[tuple[FaultKind, Explains]]:
    """List what the faults found may explain, in the order in which it is tried."""
    kinds = dict.fromkeys(c.kind for c in found)
    pairs = [(kind, explains) for kind in kinds for explains in kind.explains]
    return sorted(pairs, key=lambda pair: pair[1].rank)


def _causes(check: Check, cause: FaultKind, explains: Explains) -> bool:
    bad_enough = check.grade is Grade.REJECT or not explains.only_reject
    return check.kind is cause and bad_enough


def _by_any(left: Mapping[int, Check]) -> dict[int, Override]:
    """Put down what is a finding of its own only where nothing else was found."""
    last = {i: c.kind.explained_by_any for i, c in left.items() if c.kind.explained_by_any}
    cause = next((c for i, c in left.items() if i not in last and not c.noted), None)
    return {i: Override(cause.fault, why) for i, why in last.items()} if cause else {}
