"""What became of nights: grades that other nights changed, and what new limits or rules change."""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection, Engine

from runlog.core.frame import Frame, Grade, Judgement
from runlog.core.ledger.restated import WORTH_TELLING
from runlog.core.story.phrases import history as say
from runlog.store import before as store
from runlog.store.before import WorthOfRun
from runlog.store.engine import reading, writing
from runlog.store.rig_settings import rigs
from runlog.store.runs import RunState, dirty_runs

INDENT = " " * 6  # of a reason below its night
MOST_NIGHTS = 25  # in the table: the newest

Change = tuple[list[str], list[str]]  # cells of a night, and reasons


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

    def hear(self, run: RunState, before: Sequence[Frame], after: Sequence[Frame]) -> None:
        """Hear that a run was settled: its frames as they were stored and as they are."""
        if self.own is not None and run.id in self.own:
            return
        self._runs[run.id] = run
        for old, new in zip(before, after, strict=True):
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


@dataclass(frozen=True, slots=True)
class Compared:
    """One column of the table of changes: its heading, and how a run's worth is written in it."""

    heading: str
    write: Callable[[Mapping[str, Any]], str]


GRADES = (
    Compared("kept", lambda worth: say.kept(worth["keep"], worth["kept_s"])),
    Compared("doubtful", lambda worth: str(worth["doubtful"])),
    Compared("rejected", lambda worth: str(worth["reject"])),
    Compared("ungraded", lambda worth: str(worth["ungraded"])),
)
EFFECTIVE = Compared("effective", lambda worth: say.effective(worth["effective_s"]))
COMPARED = (*GRADES, EFFECTIVE)


def remember(engine: Engine) -> None:
    """Keep what runs are worth, before something changes their grades."""
    with writing(engine) as connection:
        store.remember(connection)


def tell_changes(engine: Engine) -> list[str]:
    """Say once, in one table, what became of the nights that were remembered; then forget them.

    As long as a run is behind there is nothing to say yet: an interrupted grading loses nothing.
    """
    with reading(engine) as connection:
        if not store.remembered(connection) or dirty_runs(connection):
            return []
        runs = store.compared(connection)
        changes = [change for run in runs if (change := _change(connection, run)) is not None]
    with writing(engine) as connection:
        store.forget(connection)
    if not runs:
        return []
    return [say.counted_again(len(changes), len(runs)), *_table(changes)]


def _table(changes: Sequence[Change]) -> list[str]:
    """Set the newest changes under each other, each with its reasons below it."""
    shown = changes[-MOST_NIGHTS:]
    if not shown:
        return []
    heading = ["night", "rig", *(column.heading for column in COMPARED)]
    first, *lines = _set([heading, *(cells for cells, _ in shown)])
    told = [first]
    for line, (_, reasons) in zip(lines, shown, strict=True):
        told += [line, *(f"{INDENT}{reason}" for reason in reasons)]
    earlier = len(changes) - len(shown)
    return [*told, say.and_earlier(earlier)] if earlier else told


def _change(connection: Connection, run: WorthOfRun) -> Change | None:
    """Write what changed of a run, and why; None where nothing did."""
    graded = any(column.write(run.before) != column.write(run.now) for column in GRADES)
    reckoned = _reckoned_otherwise(run.before["effective_s"], run.now["effective_s"])
    if not graded and not reckoned:
        return None
    reasons = [_why_graded(connection, run)] if graded else []
    if reckoned:
        reasons.append(say.why_reckoned(run.worth, run.night))
    cells = [say.from_to(column.write(run.before), column.write(run.now)) for column in COMPARED]
    return [run.night or "undated", run.rig, *cells], reasons


def _reckoned_otherwise(before_s: float | None, now_s: float | None) -> bool:
    if before_s is None or now_s is None:
        return before_s is not now_s
    return abs(now_s - before_s) > WORTH_TELLING * before_s


def _why_graded(connection: Connection, run: WorthOfRun) -> str:
    now = Grade.KEEP if run.now["keep"] > run.before["keep"] else Grade.DOUBTFUL
    return say.why(now, [frame.judgement for frame in store.not_kept(connection, run.run_id)])


def _set(lines: Sequence[Sequence[str]]) -> list[str]:
    """Set lines of cells under each other."""
    widths = [max(map(len, column)) for column in zip(*lines, strict=True)]
    return ["  " + "  ".join(map(str.ljust, cells, widths)).rstrip() for cells in lines]
