"""What became of nights: grades that other nights changed, and what a new version changes."""

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import product
from math import fsum
from textwrap import wrap
from typing import TYPE_CHECKING

from sqlalchemy import Connection, Engine

from runlog.core.columns import hours
from runlog.core.frame import Grade, Judgement
from runlog.core.ledger.effective_words import effective_note
from runlog.core.ledger.restated import WORTH_TELLING
from runlog.core.ledger.worth import References
from runlog.core.story.phrases import history as say
from runlog.store import before as store
from runlog.store.backup import keep_beside
from runlog.store.before import RunThen, Standing
from runlog.store.depth import references_of_frames
from runlog.store.engine import reading, writing
from runlog.store.rig_settings import rigs
from runlog.store.runs import RunState, dirty_runs

if TYPE_CHECKING:
    from runlog.actions.settle import Outcome


@dataclass(slots=True)
class Moves:
    """Frames whose grade changed in one settling though nothing of their own night did."""

    # Runs whose frames, marks or settings changed: what becomes of them is no news. None: those
    # that are behind when the settling begins.
    own: Collection[int] | None = None
    _runs: dict[int, RunState] = field(default_factory=dict)
    _before: dict[tuple[int, str], Grade] = field(default_factory=dict)
    _now: dict[tuple[int, str], Judgement] = field(default_factory=dict)

    def begin(self, behind: Iterable[int]) -> None:
        """Hear which runs are behind when the settling begins."""
        if self.own is None:
            self.own = frozenset(behind)

    def look(self, connection: Connection, run: RunState) -> None:
        """Look at a run that is to be settled; what its frames were is heard afterwards."""

    def wrote(self, connection: Connection, run: RunState) -> None:
        """Look at a run once more when what it was settled to is written, in one transaction."""

    def hear(self, run: RunState, outcome: "Outcome") -> None:
        """Hear that a run was settled: its frames as they were stored and as they are."""
        if self.own is not None and run.id in self.own:
            return
        self._runs[run.id] = run
        for old, new in zip(outcome.before, outcome.after, strict=True):
            at = (run.id, new.key)
            known = old.judgement.grade is not new.judgement.grade or at in self._before
            if known and new.is_light:
                self._before.setdefault(at, old.judgement.grade)
                self._now[at] = new.judgement

    def told(self, connection: Connection) -> list[str]:
        """Say night by night what is graded otherwise now, and why."""
        names = rigs(connection)
        several = len({run.rig_id for run in self._runs.values()}) > 1
        moved: dict[tuple[str, str, Grade], list[Judgement]] = {}
        for at in sorted(self._now):
            run, now = self._runs[at[0]], self._now[at]
            if now.grade is self._before[at]:
                continue  # it came back to what it was
            rig = names[run.rig_id] if several else ""
            moved.setdefault((run.night, rig, now.grade), []).append(now)
        return [say.changed(*what, moved[what]) for what in sorted(moved)]


def moves_told(engine: Engine, moves: Moves) -> list[str]:
    """Say what the frames of other nights became."""
    with reading(engine) as connection:
        return moves.told(connection)


# --- before and after of whole nights ---------------------------------------------------------

WIDTH = 100  # of a terminal
MOST_LINES = 25  # of the table: the newest nights
INDENT = "    "  # of what is said below a line of the table


def _differ(before: Standing, now: Standing) -> bool:
    """Tell whether hours changed by so much that it is told."""
    return _moved(before.effective_s, now.effective_s)


def _moved(before_s: float | None, now_s: float | None) -> bool:
    if before_s is None or now_s is None:
        return before_s is not now_s
    return abs(now_s - before_s) > WORTH_TELLING * before_s


def _known(seconds: float | None) -> str:
    return "unknown" if seconds is None else hours(seconds)


@dataclass(frozen=True, slots=True)
class Compared:
    """One column of the table of changes: its heading, and how it writes what a run holds."""

    heading: str
    write: Callable[[Standing], str]
    # Where a small difference is none: a night is in the table when one of its columns differs.
    differ: Callable[[Standing, Standing], bool] | None = None

    def tells(self, run: RunThen) -> bool:
        """Tell whether the run is another now, as far as this column goes."""
        if self.differ is not None:
            return self.differ(run.before, run.now)
        return self.write(run.before) != self.write(run.now)

    def cell(self, run: RunThen) -> str:
        """Write what was and what is."""
        return say.from_to(self.write(run.before), self.write(run.now))


COMPARED = (
    Compared("kept", lambda own: str(own.count(Grade.KEEP))),
    Compared("time kept", lambda own: hours(own.kept_s)),
    Compared("doubtful", lambda own: str(own.count(Grade.DOUBTFUL))),
    Compared("rejected", lambda own: str(own.count(Grade.REJECT))),
    Compared("ungraded", lambda own: str(own.count(Grade.UNGRADED))),
    Compared("effective hours", lambda own: _known(own.effective_s), _differ),
)


def tell_changes(engine: Engine, tell: Callable[[str], None]) -> None:
    """Say once, in one table, what became of the nights that were remembered; then forget them.

    As long as a run is behind there is nothing to say yet: an interrupted grading loses nothing.
    """
    with reading(engine) as connection:
        if not store.remembered(connection) or dirty_runs(connection):
            return
        runs = store.compared(connection)
        others = [run for run in runs if _is_another(run)]
        against = references_of_frames(connection)
        reasons = ["; ".join(_why(connection, run, against)) for run in others]
    told = say.otherwise_now(len(_nights(others)), len(_nights(runs)), WORTH_TELLING)
    shown = _table(others[-MOST_LINES:], reasons[-MOST_LINES:]) if others else []
    for line in (*wrap(told, WIDTH), *shown):
        tell(line)
    earlier = len(_nights(others) - _nights(others[-MOST_LINES:]))
    if earlier:
        path = keep_beside(engine, "changes", [told, *_table(others, reasons)])
        tell(say.and_earlier(earlier, None if path is None else str(path)))
    with writing(engine) as connection:
        store.forget(connection)


def _is_another(run: RunThen) -> bool:
    return run.before.grades != run.now.grades or any(column.tells(run) for column in COMPARED)


def _nights(runs: Iterable[RunThen]) -> set[str]:
    return {run.night for run in runs}


def _table(runs: Sequence[RunThen], reasons: Sequence[str]) -> Iterator[str]:
    """Set nights under each other; below each, its rig and why."""
    heading = ["night", *(column.heading for column in COMPARED)]
    rows = [[run.night or "undated", *(c.cell(run) for c in COMPARED)] for run in runs]
    first, *lines = _set([heading, *rows])
    yield first
    yield f"{INDENT}rig: why"
    for run, line, why in zip(runs, lines, reasons, strict=True):
        yield line
        yield from wrap(f"{run.rig}: {why}", WIDTH, initial_indent=INDENT, subsequent_indent=INDENT)


def _set(lines: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    return ["  ".join(map(str.ljust, cells, widths)).rstrip() for cells in lines]


# --- why ------------------------------------------------------------------------------------


def _why(connection: Connection, run: RunThen, against: References) -> Iterator[str]:
    """Say of a run's frames what became of which, and why its hours are others."""
    before, now = run.before.grades, run.now.grades
    frames = {frame.identity.id: frame for frame in store.frames_of(connection, run.run_id)}
    changed = [frames[i].judgement for i in before if i in now and before[i] is not now[i]]
    for grade, who in product(Grade, ("auto", "person")):
        if these := [j for j in changed if j.grade is grade and j.graded_by == who]:
            yield say.became(grade, these)
    if gone := before.keys() - now.keys():
        yield say.count_no_longer(len(gone))
    if new := now.keys() - before.keys():
        yield say.count_now(len(new))
    if _known(run.before.effective_s) != _known(run.now.effective_s):
        were_kept = [frames[i] for i in run.before.kept() if i in frames]
        yield from _why_hours(run, list(map(against.effective_s, were_kept)))


def _why_hours(run: RunThen, kept_then: Sequence[float | None]) -> Iterator[str]:
    """Say why hours are others; of frames that were kept is given what they are worth today."""
    if not run.now.kept():
        yield say.NONE_KEPT
        return
    if run.before.effective_s is None:
        yield say.KNOWN_NOW
    elif run.now.effective_s is not None:
        known = [seconds for seconds in kept_then if seconds is not None]
        if _moved(run.before.effective_s, fsum(known) if known else None):
            yield say.BY_NIGHTS if run.by_one_frame else say.OTHERWISE
    if (note := effective_note(run.worth, run.night)) is not None:
        yield note
