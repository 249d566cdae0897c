"""What the morning review shows: nights, and lists of frames."""

from array import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import Engine

from runlog.actions.known_roots import know_again
from runlog.config import Settings
from runlog.core.frame import Frame
from runlog.core.selection import Order, Selection
from runlog.core.times import IN_UTC, Zone, times_in
from runlog.store import review as store
from runlog.store.engine import open_engine, reading, require_there
from runlog.store.migrate import ready
from runlog.store.mine import login, own_rigs
from runlog.store.runs import dirty_runs

if TYPE_CHECKING:
    from runlog.core.story.report import NightReport


@dataclass(frozen=True, slots=True)
class RunLine:
    """One rig's night, with its hours by grade."""

    id: int
    night: str  # ISO date, "" when undated
    rig: str
    frames: int
    logged_s: float
    kept_s: float
    doubtful_s: float
    rejected_s: float


@dataclass(frozen=True, slots=True)
class Own:
    """A login at a server and the rigs it is a member of; a file has neither."""

    login: str | None = None
    rigs: tuple[str, ...] = ()

    def rigs_among(self, names: Sequence[str]) -> tuple[str, ...]:
        """Choose its rigs among those of these names."""
        return tuple(name for name in self.rigs if name in names)


NOBODY = Own()


def own(engine: Engine) -> Own:
    """Tell who is at work here and which rigs are theirs."""
    with reading(engine) as connection:
        return Own(login(connection), own_rigs(connection))


def run_lines(engine: Engine) -> list[RunLine]:
    """List the runs that hold light frames, oldest first."""
    with reading(engine) as connection:
        return [RunLine(**row._mapping) for row in store.run_rows(connection)]


def listed(
    engine: Engine, selection: Selection, order: Order, limit: int | None = None
) -> "array[int]":
    """List the light frames chosen, as ids in order."""
    with reading(engine) as connection:
        return store.frame_ids(connection, selection, order, limit)


def page(engine: Engine, ids: Sequence[int]) -> dict[int, Frame]:
    """Load the lines of a few frames."""
    with reading(engine) as connection:
        return store.lines_by_id(connection, ids)


def whole_run(engine: Engine, run_id: int) -> list[Frame]:
    """Load a run's light frames in time order, for its chart."""
    with reading(engine) as connection:
        return store.lines_of_run(connection, run_id)


def change_token(engine: Engine) -> tuple[int, ...]:
    """Tell with a few numbers whether anybody changed anything."""
    with reading(engine) as connection:
        return store.change_token(connection)


def settle_now(engine: Engine, settings: Settings) -> int:
    """Bring sums up to date after marks; returns how many runs needed it."""
    with reading(engine) as connection:
        if not dirty_runs(connection):
            return 0
    # Grading and matching take a second to import, which the first paint must not wait for.
    from runlog.actions.settle import settle_all

    return settle_all(engine, settings)


def open_for_review(
    database: str, tell: Callable[[str], None] = lambda _: None, *, make: bool
) -> Engine:
    """Open, migrated when behind; what a crash left behind is settled after the first paint."""
    if not make:
        require_there(database)
    engine = ready(open_engine(database), tell)
    know_again(engine, tell)
    return engine


def report_of(
    engine: Engine, settings: Settings, run: RunLine, zone: Zone = IN_UTC
) -> "NightReport | None":
    """Tell the story of one run, its times in a zone."""
    from runlog.actions.night import night_reports

    with times_in(zone):
        reports = night_reports(engine, settings, Selection(run_id=run.id))
    return reports[0] if reports else None
