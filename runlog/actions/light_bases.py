"""Which frame's light each field of a rig, target and filter is counted in.

Frames of one name are compared with the best frame of their field. Of one target and filter there
may be several such frames: other binnings, gains, sizes or pointings. What shows the same stars at
another scale is tied to one of them, the base, so that their hours add up.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Connection

from runlog.actions.matcher import Matcher
from runlog.core.frame import Frame, StarList
from runlog.store import depth as store
from runlog.store.settling import frames_by_key
from runlog.store.stars import star_lists

SCALE_OFF = 0.03  # by which the optics may differ, as where frames of one scale are matched
Pair = tuple[str, str]  # target and filter


@dataclass(frozen=True, slots=True)
class Based:
    """The base of a reference, and its light there in the ADU of the base."""

    key: str
    light: float


@dataclass(slots=True)
class RigBases:
    """The bases of one rig, and the ties that were found anew."""

    counts: Mapping[Pair, Mapping[str, tuple[int, int]]]  # reference -> binning, frames
    stored: Sequence[tuple[Pair, str, str]]  # reference and base, of frames that have one
    ties: dict[tuple[str, str], float | None]
    found: dict[Pair, dict[str, Based]] = field(default_factory=dict)
    fresh: dict[tuple[str, str], float | None] = field(default_factory=dict)


class LightBases:
    """Finds the bases; remembers them for one settling."""

    def __init__(self, matcher: Matcher) -> None:
        self._matcher = matcher
        self._rigs: dict[int, RigBases] = {}
        self._ties: dict[tuple[str, str], float | None] = {}  # as stored

    def base(self, connection: Connection, rig_id: int, frame: Frame) -> Based | None:
        """Give the base of the frame that this one is compared with."""
        pair = frame.context.target, frame.context.filter
        return self._of_pair(connection, rig_id, pair).get(frame.placement.matched_to or "")

    def stored_base(self, connection: Connection, rig_id: int, frame: Frame) -> Based | None:
        """Give the base that a frame has, where nothing changed that bases are found by."""
        base, key = frame.judgement.depth_base, frame.placement.matched_to
        if base is None or key is None:
            return self.base(connection, rig_id, frame)
        light = 1.0 if base == key else self._tied(connection, base, key)
        return self.base(connection, rig_id, frame) if light is None else Based(base, light)

    def _tied(self, connection: Connection, base: str, key: str) -> float | None:
        if (base, key) not in self._ties:
            self._ties[base, key] = store.stored_tie(connection, base, key)
        return self._ties[base, key]

    def outdated(self, connection: Connection, rig_id: int) -> set[int]:
        """Find the runs with frames whose stored base is no longer theirs."""
        found: set[int] = set()
        for pair, reference, base in self._of_rig(connection, rig_id).stored:
            wanted = self._of_pair(connection, rig_id, pair).get(reference)
            if wanted is not None and wanted.key != base:
                found |= store.runs_of_base(connection, rig_id, pair, reference, base)
        return found

    def fresh(self, rig_id: int) -> dict[tuple[str, str], float | None]:
        """Give the ties of a rig that are not stored yet."""
        return self._rigs[rig_id].fresh if rig_id in self._rigs else {}

    def stored(self, rig_id: int) -> None:
        """Note that the ties of a rig are safely in."""
        if rig_id in self._rigs:
            self._rigs[rig_id].fresh = {}

    def _of_rig(self, connection: Connection, rig_id: int) -> RigBases:
        if rig_id not in self._rigs:
            shown = store.bases_shown(connection, rig_id)
            counts = _counted(shown, self._matcher.moved(connection, rig_id))
            stored = [
                ((row.target, row.filter), row.matched_to, row.depth_base)
                for row in shown
                if row.depth_base is not None
            ]
            self._rigs[rig_id] = RigBases(counts, stored, store.ties(connection))
        return self._rigs[rig_id]

    def _of_pair(self, connection: Connection, rig_id: int, pair: Pair) -> dict[str, Based]:
        rig = self._of_rig(connection, rig_id)
        if pair not in rig.found:
            rig.found[pair] = self._bases(connection, rig, rig.counts.get(pair, {}))
        return rig.found[pair]

    def _bases(
        self, connection: Connection, rig: RigBases, shown: Mapping[str, tuple[int, int]]
    ) -> dict[str, Based]:
        """Tie each reference to the first base that shows its stars, else make it one.

        The finest pixels first, then what most frames show: a function of the set. Each is laid on
        bases alone, so there are no chains.
        """
        order = sorted(shown, key=lambda key: (shown[key][0], -shown[key][1], key))
        bases: list[str] = []
        found: dict[str, Based] = {}
        for key in order:
            tied = ((base, self._tie(connection, rig, base, key)) for base in bases)
            own = next((Based(base, light) for base, light in tied if light), None)
            found[key] = own or Based(key, 1.0)
            bases += [] if own else [key]
        return found

    def _tie(self, connection: Connection, rig: RigBases, base: str, key: str) -> float | None:
        if (base, key) not in rig.ties:
            light = tie(connection, base, key)
            rig.ties[base, key] = rig.fresh[base, key] = light
        return rig.ties[base, key]


def _counted(
    shown: Sequence[Any], moved: Sequence[tuple[Frame, str | None]]
) -> dict[Pair, dict[str, tuple[int, int]]]:
    """Count the frames of each reference, those included whose reference is not stored yet."""
    binning: dict[tuple[Pair, str], int] = {}
    counts: Counter[tuple[Pair, str]] = Counter()
    for row in shown:
        at = (row.target, row.filter), row.matched_to
        binning[at] = row.binning_x
        counts[at] += row.frames
    for frame, now in moved:
        pair = frame.context.target, frame.context.filter
        if frame.placement.matched_to is not None:
            counts[pair, frame.placement.matched_to] -= 1
        if now is not None:
            counts[pair, now] += 1
            binning[pair, now] = frame.header.binning_x
    found: dict[Pair, dict[str, tuple[int, int]]] = {}
    for (pair, key), frames in counts.items():
        if frames > 0:
            found.setdefault(pair, {})[key] = binning[pair, key], frames
    return found


def tie(connection: Connection, base_key: str, key: str) -> float | None:
    """Measure the light of one reference in the ADU of another; None where no stars match."""
    from runlog.core.stars.match import match_stars  # with numpy, and only for a new pair
    from runlog.core.stars.throughput import throughput

    frames = frames_by_key(connection, [base_key, key])
    base, other = frames.get(base_key), frames.get(key)
    if base is None or other is None:
        return None
    stars = star_lists(connection, [base.identity.id, other.identity.id])
    here = stars.get(base.identity.id, StarList())
    there = stars.get(other.identity.id, StarList())
    scale = base.header.binning_x / other.header.binning_x
    scales = scale * (1 - SCALE_OFF), scale * (1 + SCALE_OFF)
    match = match_stars(here, there, _size(base), _size(other), scales=scales)
    if match is None:
        return None
    light = throughput(
        here,
        there,
        match,
        reference_exposure_s=base.header.exposure_s or 0.0,
        exposure_s=other.header.exposure_s or 0.0,
        clipped=max(f.measurement.clipped_stars or 0 for f in (base, other)),
    )
    return light.ratio if light else None


def _size(frame: Frame) -> tuple[int, int]:
    return frame.identity.width, frame.identity.height
