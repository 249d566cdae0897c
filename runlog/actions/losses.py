"""The light budget of some nights: what each cause took, ranked."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Engine, Row

from runlog.actions.night import others_of, told_of
from runlog.actions.night_sky import sky_of_run
from runlog.actions.rig_settings import settings_of
from runlog.config import Settings
from runlog.core.selection import EVERYTHING, Selection
from runlog.core.story.model import Night
from runlog.core.story.tell import in_time, pace_of
from runlog.core.worth.dark import summed, unused
from runlog.core.worth.loss_words import budget_words, whose, yours_words
from runlog.core.worth.losses import Budget, Loss, budget
from runlog.store import totals as total_store
from runlog.store.choose import list_frames
from runlog.store.depth import references_of_frames
from runlog.store.engine import reading
from runlog.store.history import of_frames
from runlog.store.settling import frames_of_run

LOSS_KEYS = "cause what whose frames lost_s gained_s cure_s share".split()


@dataclass(frozen=True, slots=True)
class Losses:
    """A budget of exposure time, and the dark that was not used."""

    budget: Budget
    nights: int
    dark_s: Mapping[str, float] | None  # by cause; None where parts of nights are asked about
    elapsed_s: float = 0.0  # from first to last frame, over all nights


def losses(engine: Engine, settings: Settings, selection: Selection = EVERYTHING) -> Losses:
    """Share out the time of the frames of a selection; of whole nights the unused dark as well."""
    with reading(engine) as connection:
        frames = [frame for frame in list_frames(connection, selection) if frame.is_light]
        found = budget(frames, references_of_frames(connection))
        nights = len({f.context.night for f in frames if f.context.night})
        if not selection.of_whole_runs:
            return Losses(found, nights, None)
        runs = total_store.runs_with_sums(connection, selection)
        each = [_dark(connection, run, settings) for run in runs if run.frames]
    return Losses(found, nights, summed([own for own, _ in each]), sum(s for _, s in each))


def _dark(
    connection: Connection, run: Row[Any], settings: Settings
) -> tuple[dict[str, float], float]:
    """Find the dark a run left unused, and how long it went from its first frame to its last."""
    own = settings_of(connection, run.rig_id, settings)
    frames = frames_of_run(connection, run.id)
    every = [frame for frame in frames if frame.is_light]
    sky = sky_of_run(connection, run.id, run.night, every, own)
    told = told_of(every, of_frames(connection, run.rig_id, run.night, every), sky.doubt)
    lights = in_time(told)
    undated = len(told) - len(lights)
    night = Night(sky.dark, sky.doubt, undated, sky.place, sky.moon, others_of(frames))
    pace = pace_of(lights)
    return unused(lights, night), pace.elapsed_s if pace else 0.0


def lost(
    engine: Engine, settings: Settings, selection: Selection = EVERYTHING
) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Give the rows of `runlog.losses/1` and their sums."""
    found = losses(engine, settings, selection)
    rows = loss_rows(found)
    return rows, budget_row(found, rows)


# --- rows -----------------------------------------------------------------------------------


def loss_rows(found: Losses) -> list[dict[str, Any]]:
    """Write losses with the keys of `runlog.losses/1`, the most first."""
    rows = [_row(loss) for loss in found.budget.losses]
    rows += [_dark_row(found, cause, seconds) for cause, seconds in (found.dark_s or {}).items()]
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


def _dark_row(found: Losses, cause: str, seconds: float) -> dict[str, Any]:
    """Write unused dark: as exposed and as good as the nights were, it would have brought so much.

    Where the sky is why nothing was taken, that is not known.
    """
    own, by = found.budget, whose(cause, "dark")
    known = own.per_kept_s is not None and found.elapsed_s and not by.startswith("the sky")
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
    said = [*budget_words(own, found.nights), yours_words(rows)]
    return {
        "nights": found.nights,
        "logged_s": own.logged_s,
        "kept_s": own.kept_s,
        "effective_s": own.effective_s if own.per_kept_s is not None else None,
        "unknown_s": own.unknown_s,
        "unknown_frames": own.unknown_frames,
        "dark_unused_s": None if found.dark_s is None else sum(found.dark_s.values()),
        "text": "; ".join(words for words in said if words),
    }
