"""How long a frame really takes on a rig: measured from the gaps in its log."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from typing import NamedTuple

SAME_S, SETUP_S, FLIP_S = 30.0, 300.0, 300.0  # assumed (common practice, no source)
PAUSE_S = 1800.0  # a longer gap is a pause: cloud, a stop, a person
OTHER_MORE_S = 15.0  # assumed for a turn of the filter wheel
LONGEST_FLIP_DEG = 15.0  # of hour angle: an hour between the frames around a flip


class Taken(NamedTuple):
    """One exposure in the log, its start in seconds of any clock."""

    start_s: float
    exposure_s: float
    target: str
    filter: str
    pier_side: str | None = None
    hour_angle_deg: float | None = None  # at its start


@dataclass(frozen=True, slots=True)
class Flip:
    """Hour angles between which a mount takes no frame while it turns over, in degrees."""

    from_deg: float
    until_deg: float
    turn_s: float  # from the end of that span to the next frame
    said: str


@dataclass(frozen=True, slots=True)
class Cadence:
    """Seconds lost between frames, and where they are from."""

    same_s: float
    other_s: float  # before the first frame through another filter
    setup_s: float  # before the first frame of another target
    said: str
    assumed: tuple[str, ...] = ()
    flip: Flip | None = None


def cadence_of(
    runs: Iterable[Sequence[Taken]], before_min: float | None, after_min: float | None
) -> Cadence:
    """Measure what is lost between frames over some runs, each in time order."""
    gaps: dict[str, list[float]] = {}
    turns: list[tuple[float, float]] = []
    sides = False
    count = 0
    for run in runs:
        count += 1
        for a, b in pairwise(run):
            kind = _kind(a, b)
            gap_s = b.start_s - a.start_s - a.exposure_s
            sides |= None not in (a.pier_side, b.pier_side)
            if 0 <= gap_s <= PAUSE_S:
                gaps.setdefault(kind, []).append(gap_s)
            if kind == "flip" and a.hour_angle_deg is not None and b.hour_angle_deg is not None:
                turns.append((a.hour_angle_deg + a.exposure_s / 240, b.hour_angle_deg))
    found = {kind: round(median(values), 3) for kind, values in gaps.items()}
    same_s = found.get("same", SAME_S)
    other_s = found.get("other", same_s + OTHER_MORE_S)
    names = {"same": "same filter", "other": "other filter", "target": "other target"}
    missing = tuple(name for kind, name in names.items() if kind not in found)
    flip = _flip(turns, sides, found.get("flip"), (before_min, after_min))
    return Cadence(
        same_s,
        max(other_s, 0.0),
        found.get("target", max(SETUP_S, other_s)),
        _said(gaps, count),
        missing,
        flip,
    )


def _kind(a: Taken, b: Taken) -> str:
    if a.target != b.target:
        return "target"
    if None not in (a.pier_side, b.pier_side) and a.pier_side != b.pier_side:
        return "flip"
    return "same" if a.filter == b.filter else "other"


def _said(gaps: dict[str, list[float]], runs: int) -> str:
    known = len(gaps.get("same", ()))
    if not known:
        return "assumed"
    return f"median of {known} gap{'s' * (known != 1)} of {runs} run{'s' * (runs != 1)}"


def _flip(
    turns: Sequence[tuple[float, float]],
    sides: bool,
    gap_s: float | None,
    told_min: tuple[float | None, float | None],
) -> Flip | None:
    """Find the rule of a mount's flips; None for a mount that shows no sides of the pier."""
    before_min, after_min = told_min
    if before_min is not None or after_min is not None:
        span = -(before_min or 0.0) / 4, (after_min or 0.0) / 4
        return Flip(*span, FLIP_S if gap_s is None else _rest(gap_s, span), "as configured")
    if not sides:
        return None
    near = [(a, b) for a, b in turns if 0 <= b - a <= LONGEST_FLIP_DEG and abs(b) < 45]
    if not near:
        return Flip(0.0, 0.0, FLIP_S, "no flip in the log: assumed at the meridian, 5 minutes")
    span = median(a for a, _ in near), median(b for _, b in near)
    return Flip(*span, 0.0, f"as {len(near)} flip{'s' * (len(near) != 1)} in the log")


def _rest(gap_s: float, span: tuple[float, float]) -> float:
    return max(gap_s - (span[1] - span[0]) * 240, 0.0)


def usual_exposure(counts: Counter[float]) -> float | None:
    """Give the most used length; of equally used ones the longest."""
    return max(counts, key=lambda s: (counts[s], s)) if counts else None
