"""The queue of doubtful frames: what needs a person, short ones alike folded into blocks."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from statistics import median

from sqlalchemy import Engine

from runlog.core.frame import Frame, Grade
from runlog.core.published import value_of
from runlog.core.selection import EVERYTHING, Selection
from runlog.store import review as store
from runlog.store.engine import reading

SHORT_S = 60.0  # frames this short come by the thousand and are decided in blocks
BLOCK_LEAST = 3
BLOCK_GAP_S = 300.0  # a pass of cloud lets single good frames through


@dataclass(frozen=True, slots=True)
class Case:
    """One decision to make: a frame, or a block of short ones alike."""

    frames: tuple[Frame, ...]

    @property
    def head(self) -> Frame:
        """The frame whose picture stands for all: the middle one."""
        return self.frames[len(self.frames) // 2]

    @property
    def ids(self) -> list[int]:
        """The frames it decides."""
        return [line.identity.id for line in self.frames]

    @property
    def decided(self) -> bool:
        """Whether a person has decided on every frame of it."""
        return all(line.judgement.graded_by == "person" for line in self.frames)


def doubtful_cases(engine: Engine, selection: Selection = EVERYTHING) -> list[Case]:
    """List what needs, or needed, a person; of a run, of some rigs, or of all nights."""
    with reading(engine) as connection:
        return fold(store.doubtful_lines(connection, selection))


def fold(lines: Sequence[Frame]) -> list[Case]:
    """Fold runs of short frames with the same trouble into blocks; others stand alone."""
    groups: list[list[Frame]] = []
    for line in lines:
        if groups and _belongs(line, groups[-1][-1]):
            groups[-1].append(line)
        else:
            groups.append([line])
    cases: list[Case] = []
    for group in groups:
        whole = len(group) >= BLOCK_LEAST
        cases += [Case(tuple(group))] if whole else [Case((line,)) for line in group]
    return cases


def _belongs(line: Frame, last: Frame) -> bool:
    if (line.header.exposure_s or SHORT_S + 1) > SHORT_S or None in (
        line.header.taken_at_utc,
        last.header.taken_at_utc,
    ):
        return False
    assert line.header.taken_at_utc is not None
    assert last.header.taken_at_utc is not None
    gap = line.header.taken_at_utc - last.header.taken_at_utc
    return (
        gap <= timedelta(seconds=BLOCK_GAP_S)
        and _group(line) == _group(last)
        and _main_fault(line) == _main_fault(last)
    )


def _group(line: Frame) -> tuple[object, ...]:
    context = line.context
    judgement = line.judgement
    why = judgement.note if judgement.auto_grade is Grade.UNGRADED else None
    return (context.run_id, context.target, context.filter, line.header.exposure_s,
            judgement.auto_grade, why)  # fmt: skip


def _main_fault(line: Frame) -> str:
    return line.judgement.faults[0].name if line.judgement.faults else ""


def usual(engine: Engine, line: Frame, names: Sequence[str]) -> dict[str, float | None]:
    """Find what kept frames of the same run, target and filter usually measure."""
    with reading(engine) as connection:
        alike = store.kept_alike(connection, line)
    found: dict[str, float | None] = {}
    for name in names:
        values = [v for v in (value_of(other, name) for other in alike) if v is not None]
        found[name] = median(values) if values else None
    return found


def open_count(engine: Engine, run_id: int | None) -> int:
    """Count the frames that wait for a decision."""
    with reading(engine) as connection:
        return store.count_open(connection, run_id)
