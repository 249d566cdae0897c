"""Which frames of a run are spoilt by what their own run shows, whatever other nights were like."""

from collections.abc import Iterator, Sequence

from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.grading.compared import ComparedFrame
from runlog.core.grading.fault_kind import FaultKind
from runlog.core.grading.faults.doubled import DOUBLED
from runlog.core.grading.faults.obstructed import OBSTRUCTED
from runlog.core.grading.faults.readout import READOUT
from runlog.core.grading.faults.trailed import TRAILED
from runlog.core.grading.grade import too_few
from runlog.core.grading.policy import Policy
from runlog.core.grading.run_usual import RunUsual

# What is measured over such a frame is not what the sky gave it.
NOT_WHOLE = frozenset((FaultName.OBSTRUCTED, FaultName.DOUBLED, FaultName.READOUT))
_KINDS = (OBSTRUCTED, DOUBLED, READOUT, TRAILED)


def spoilt(
    frames: Sequence[Frame], policy: Policy, usual: RunUsual | None = None
) -> dict[str, frozenset[FaultName]]:
    """List the faults of this kind of each measured frame that has any, by key.

    Neither other nights nor final grades are asked, so that what rests on it cannot come back
    to itself. `usual` is what is usual among just these frames, where that was found already.
    """
    found = {}
    for this in (usual or RunUsual(frames)).compared(policy, {}):
        if names := frozenset(_faults(this)):
            found[this.frame.key] = names
    return found


def _faults(this: ComparedFrame) -> Iterator[FaultName]:
    alone = too_few(this)
    for kind in _KINDS:
        if any(_says(kind, this, alone=alone)):
            yield kind.name


def _says(kind: FaultKind, this: ComparedFrame, *, alone: bool) -> Iterator[bool]:
    for rule in kind.rules:
        if rule.alone or not alone:
            yield from (check.grade is not Grade.KEEP for check in rule.ask(this))
