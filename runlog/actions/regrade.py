"""Apply changed limits to stored measurements, and explain a frame's grade limit by limit."""

from dataclasses import dataclass

from sqlalchemy import Connection, Engine

from runlog.actions.mark import find_frame
from runlog.actions.open import Report, silent
from runlog.actions.rig_settings import in_force, settings_of
from runlog.actions.settings_digest import settings_digest
from runlog.actions.settle import Judged, Known, judge_run, settle_all
from runlog.config import Settings
from runlog.core.frame import Verdict
from runlog.core.grading.fault_kind import Check
from runlog.core.grading.grade import explain_run, verdict_of
from runlog.core.grading.policy import Policy
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.sky.daylight import sky_as_known
from runlog.errors import UsageError
from runlog.store import before, history
from runlog.store import runs as run_store
from runlog.store.engine import reading, writing
from runlog.store.exposures import recount_all
from runlog.store.mine import my_rigs


@dataclass(frozen=True, slots=True)
class Explanation:
    """Everything a frame was looked at for, and what follows."""

    judged: Judged
    checks: list[Check]
    verdict: Verdict
    policy: Policy  # the limits for its filter


def regrade(
    engine: Engine,
    settings: Settings,
    report: Report = silent,
    *,
    everything: bool = False,
) -> int:
    """Grade again what was settled by other settings; marks stay. Returns how many runs.

    With `everything` all runs, after choosing again which frame of each exposure counts. What it
    changes is told by `tell_changes`.
    """
    with writing(engine) as connection:
        if everything:
            before.remember(connection)
            recount_all(connection)
            run_store.touch_all(connection)
        elif touch_graded_otherwise(connection, settings):
            before.remember(connection)
    return settle_all(engine, settings, report)


def touch_graded_otherwise(connection: Connection, settings: Settings) -> int:
    """Mark the runs dirty that were settled by other settings than are in force; says how many."""
    wanted = in_force(connection, settings)
    return sum(
        run_store.touch_settled_otherwise(
            connection, rig_id, settings_digest(wanted.get(rig_id, settings))
        )
        for rig_id in my_rigs(connection)
    )


def explain(
    engine: Engine, settings: Settings, named: str, among: Selection = EVERYTHING
) -> Explanation:
    """Show what every limit says of one frame."""
    with reading(engine) as connection:
        frame_id = find_frame(connection, named, among)
        run = run_store.run_of_frame(connection, frame_id)
        policy = settings_of(connection, run.rig_id, settings).policy
        judged = judge_run(connection, run, settings, Known())
        frames = [j.frame for j in judged if j.is_light]
        earlier = history.of_frames(connection, run.rig_id, run.night, frames)
    this = next(j for j in judged if j.before.identity.id == frame_id)
    if not this.is_light:
        raise UsageError(f"This frame is not graded ({this.verdict.note})", named)
    _, compared, checks = explain_run(sky_as_known(frames), policy, earlier)[this.frame.key]
    verdict = verdict_of(compared, checks) if compared else this.verdict
    return Explanation(this, checks, verdict, policy.for_filter(this.frame.context.filter))
