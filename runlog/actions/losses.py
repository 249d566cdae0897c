"""The light budget of some nights: what each cause took, ranked."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection, Engine, Row

from runlog.actions.night import others_of, told_of
from runlog.actions.night_sky import sky_of_run
from runlog.actions.rig_settings import settings_of
from runlog.actions.run_series import dated_series, refocusing_of
from runlog.config import Settings
from runlog.core.frame import Frame
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.story.model import Night
from runlog.core.story.tell import in_time, pace_of
from runlog.core.worth.dark import ALWAYS, DarkUse, dark_use, summed
from runlog.core.worth.loss_words import budget_words, dark_words, whose, yours_words
from runlog.core.worth.losses import Budget, Loss, budget
from runlog.core.worth.refocus import Cure, Refocused, Rule, cure_of, cure_words, refocused
from runlog.store import totals as total_store
from runlog.store.choose import list_frames
from runlog.store.depth import references_of_frames
from runlog.store.engine import reading
from runlog.store.history import of_frames
from runlog.store.settling import frames_of_run

SLACK_S = 1e-6  # what rounding leaves of two sums of the same seconds
LOSS_KEYS = "cause what whose frames lost_s gained_s cure_s share".split()


@dataclass(frozen=True, slots=True)
class Losses:
    """A budget of exposure time, and the dark that was not used."""

    budget: Budget
    nights: int
    dark: DarkUse | None  # None where parts of nights are asked about
    elapsed_s: float = 0.0  # from first to last frame, over all nights
    cures: Sequence[Cure] = ()  # of being out of focus, by rig


def losses(engine: Engine, settings: Settings, selection: Selection = EVERYTHING) -> Losses:
    """Share out the time of the frames of a selection; of whole nights the unused dark as well."""
    with reading(engine) as connection:
        frames = [frame for frame in list_frames(connection, selection) if frame.is_light]
        found = budget(frames, references_of_frames(connection))
        nights = len({f.context.night for f in frames if f.context.night})
        asked = list(_out_of_focus(connection, frames, found.focus_s, selection))
        rules = {run_id: one.rule for one in asked for run_id in one.runs}
        whole = selection.of_whole_runs
        every = total_store.runs_with_sums(connection, selection) if whole else []
        runs = {run.id: run for run in every if run.frames}
        dark: list[tuple[DarkUse, float]] = []
        tried: dict[int, Refocused] = {}
        for run_id in dict.fromkeys((*runs, *rules)):
            own = frames_of_run(connection, run_id)
            if run_id in runs:
                dark.append(_dark(connection, runs[run_id], own, settings))
            if run_id in rules:
                tried[run_id] = refocused(own, found.focus_s, rules[run_id])
    cures = [cure_of(a.rig, a.lost_s, a.rule, [tried[run] for run in a.runs]) for a in asked]
    used = summed([use for use, _ in dark]) if whole else None
    return Losses(found, nights, used, sum(seconds for _, seconds in dark), cures)


def _dark(
    connection: Connection, run: Row[Any], frames: Sequence[Frame], settings: Settings
) -> tuple[DarkUse, float]:
    """Share out a run's dark, and tell how long it went from its first frame to its last."""
    own = settings_of(connection, run.rig_id, settings)
    every = [frame for frame in frames if frame.is_light]
    sky = sky_of_run(connection, run.id, run.night, every, own)
    told = told_of(every, of_frames(connection, run.rig_id, run.night, every), sky.doubt)
    lights = in_time(told)
    undated = len(told) - len(lights)
    night = Night(sky.dark, sky.doubt, undated, sky.place, sky.moon, others_of(frames))
    pace = pace_of(lights)
    return dark_use(lights, night), pace.elapsed_s if pace else 0.0


@dataclass(frozen=True, slots=True)
class _OutOfFocus:
    """A rig that lost frames to focus, and the runs its own sweeps' rule is to be tried on."""

    rig: str
    lost_s: float
    rule: Rule
    runs: Sequence[int]


def _out_of_focus(
    connection: Connection,
    frames: Sequence[Frame],
    focus_s: Mapping[str, float],
    selection: Selection,
) -> Iterator[_OutOfFocus]:
    """Ask of each rig that was out of focus what its own sweeps would have had it do.

    Nights on which nothing was lost are asked too: the rule would have been kept there as well.
    """
    record = Selection(until=selection.until)
    rigs = sorted({f.context.rig for f in frames if f.key in focus_s})
    for rig in rigs:
        own = [f for f in frames if f.context.rig == rig]
        lost_s = sum(sorted(focus_s[f.key] for f in own if f.key in focus_s))
        rule = _rule(connection, record, rig)
        runs = sorted({f.context.run_id for f in own if f.context.run_id is not None})
        yield _OutOfFocus(rig, lost_s, rule, runs if rule.each_c is not None else ())


def lost(
    engine: Engine, settings: Settings, selection: Selection = EVERYTHING
) -> tuple[list[dict[str, Any]], dict[str, Any], list[dict[str, Any]]]:
    """Give the rows of `runlog.losses/1`, their sums, and what refocusing would have saved."""
    found = losses(engine, settings, selection)
    rows = loss_rows(found)
    return rows, budget_row(found, rows), refocus_rows(found)


def _rule(connection: Connection, record: Selection, rig: str) -> Rule:
    """Say by all sweeps of a rig, up to the nights asked about, when to focus again."""
    rigs = dated_series(connection, replace(record, rigs=(rig,)))
    sweeps = (sweep for _, own in rigs.values() for _, said in own for sweep in said.sweeps)
    advice, slope = refocusing_of(connection, rig, sweeps)
    return Rule(advice.each_c, advice.low, advice.high, slope.temperature_from, advice.reason)


# --- rows -----------------------------------------------------------------------------------


def loss_rows(found: Losses) -> list[dict[str, Any]]:
    """Write losses with the keys of `runlog.losses/1`, the most first."""
    rows = [_row(loss) for loss in found.budget.losses]
    rows += _dark_rows(found)
    every = sum(row["lost_s"] for row in rows)
    for row in rows:
        row["share"] = row["lost_s"] / every if every else None
    return sorted(rows, key=lambda row: (-row["lost_s"], row["what"], row["cause"]))


def _row(loss: Loss) -> dict[str, Any]:
    what = "kept" if loss.kept else "not kept"
    return {
        "cause": loss.cause,
        "what": what,
        "whose": whose(loss.cause, what),
        "frames": loss.frames,
        "lost_s": loss.lost_s,
        "gained_s": loss.gained_s,
        "cure_s": loss.cure_s,
    }


def _dark_rows(found: Losses) -> list[dict[str, Any]]:
    """Write a row a cause, and one more for what of it runs of few frames left."""
    dark = found.dark or DarkUse()
    rest = {cause: s - dark.of_few.get(cause, 0.0) for cause, s in dark.causes.items()}
    known = [_dark_row(found, cause, s) for cause, s in rest.items() if s > SLACK_S]
    return known + [_dark_row(found, cause, s, of_few=True) for cause, s in dark.of_few.items()]


def _dark_row(found: Losses, cause: str, seconds: float, *, of_few: bool = False) -> dict[str, Any]:
    """Write unused dark: as exposed and as good as the nights were, it would have brought so much.

    Where the sky is why nothing was taken, that is not known; nor of time that no night is without.
    """
    own, by = found.budget, whose(cause, "dark", of_few=of_few)
    known = own.per_kept_s is not None and found.elapsed_s and not by.startswith("the sky")
    known = known and cause not in ALWAYS and not of_few
    return {
        "cause": cause,
        "what": "dark",
        "whose": by,
        "frames": 0,
        "lost_s": seconds,
        "gained_s": 0.0,
        "cure_s": seconds * own.effective_s / found.elapsed_s if known else None,
    }


def budget_row(found: Losses, rows: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Write the sums that the losses belong to, and what they say."""
    own = found.budget
    dark = found.dark
    said = [*budget_words(own, found.nights), dark_words(dark), yours_words(rows)]
    return {
        "nights": found.nights,
        "logged_s": own.logged_s,
        "kept_s": own.kept_s,
        "effective_s": own.effective_s if own.per_kept_s is not None else None,
        "unknown_s": own.unknown_s,
        "unknown_frames": own.unknown_frames,
        "dark_s": dark and dark.dark_s,
        "dark_exposed_s": dark and dark.exposed_s,
        "dark_unused_s": None if dark is None else sum(dark.causes.values()),
        "text": "; ".join(words for words in said if words),
    }


def refocus_rows(found: Losses) -> list[dict[str, Any]]:
    """Write for each rig that was out of focus what focusing more often would have saved."""
    several = len(found.cures) > 1
    return [
        {
            "rig": cure.rig,
            "lost_s": cure.lost_s,
            "each_c": cure.rule.each_c,
            "each_low_c": cure.rule.low_c,
            "each_high_c": cure.rule.high_c,
            "saved_s": cure.saved_s,
            "unknown_s": cure.unknown_s,
            "runs": cure.runs,
            "run_s": cure.run_s,
            "reason": cure.reason,
            "text": cure_words(cure, name_rig=several),
        }
        for cure in found.cures
    ]
