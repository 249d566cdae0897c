"""What each frame is compared with: its field's reference, found once a settling."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from sqlalchemy import Connection

from runlog.core.frame import Frame, Placement, StarList
from runlog.store.fields import Candidate, candidates_by_name
from runlog.store.settling import frames_by_key
from runlog.store.stars import star_lists

if TYPE_CHECKING:
    from runlog.actions.fields import Answer, Home
    from runlog.actions.matching import Laid

SEVERAL = 2  # runs: whether a field was seen on another night is all that is asked


@dataclass(frozen=True, slots=True)
class Changed:
    """What is no longer as stored of a frame's field."""

    answer: "Answer"
    laid: "Laid | None"
    fresh: bool  # whether it was laid on a frame anew; else its place is as stored

    def onto(self, placement: Placement) -> Placement:
        """Put it in place of what is stored."""
        found = replace(placement, **self.answer._asdict())
        if not self.fresh:
            return found
        laid = self.laid
        return replace(
            found,
            throughput=laid and laid.throughput,
            rows_out_of_place=laid and laid.rows_out_of_place,
            shift_x_px=laid and laid.shift_x_px,
            shift_y_px=laid and laid.shift_y_px,
            rotation_deg=laid and laid.rotation_deg,
        )


@dataclass(slots=True)
class RigFields:
    """The fields of one rig, and what of the stored answers no longer holds."""

    changed: dict[int, Changed] = field(default_factory=dict)  # by frame id
    outdated: set[int] = field(default_factory=set)  # run ids
    # Frames as stored, with what they are compared with now.
    moved: list[tuple[Frame, str | None]] = field(default_factory=list)
    matches: int = 0


class Matcher:
    """Finds fields and what each frame is compared with; remembers both for one settling."""

    def __init__(self, changed: Sequence[int] = ()) -> None:
        """Find anew what hangs on some runs, which show something else than before."""
        self._changed = changed
        self._rigs: dict[int, RigFields] = {}
        self._references: dict[str, Frame] = {}

    @property
    def matches(self) -> int:
        """Count how often two star lists were compared to find fields."""
        return sum(rig.matches for rig in self._rigs.values())

    def outdated(self, connection: Connection, rig_id: int) -> set[int]:
        """Find the runs whose stored answers no longer hold."""
        return self._of_rig(connection, rig_id).outdated

    def match(
        self, connection: Connection, rig_id: int, frames: Sequence[Frame]
    ) -> dict[int, Placement]:
        """Give each frame's field, place and light by its id; stored answers are kept."""
        changed = self._of_rig(connection, rig_id).changed
        found = {frame.identity.id: frame.placement for frame in frames}
        found |= {i: changed[i].onto(placed) for i, placed in found.items() if i in changed}
        self._load(connection, found.values())
        return found

    def _load(self, connection: Connection, placements: Iterable[Placement]) -> None:
        """Load the frames that these are compared with."""
        keys = {key for p in placements for key in (p.matched_to, p.best_of_name)}
        missing = sorted(key for key in keys - self._references.keys() if key is not None)
        self._references |= frames_by_key(connection, missing)

    def reference(self, frame: Frame) -> Frame | None:
        """Give the frame that a frame is compared with; None where none is fit to be one."""
        return self._references.get(frame.placement.matched_to or "")

    def best(self, frame: Frame) -> Frame | None:
        """Give the best frame of the field that most frames of a frame's name show."""
        return self._references.get(frame.placement.best_of_name or "")

    def _of_rig(self, connection: Connection, rig_id: int) -> RigFields:
        if rig_id not in self._rigs:
            self._rigs[rig_id] = fields_of_rig(connection, rig_id, self._changed)
        return self._rigs[rig_id]

    def moved(self, connection: Connection, rig_id: int) -> Sequence[tuple[Frame, str | None]]:
        """List the frames, as stored, that are compared with another one now, and with which."""
        return self._of_rig(connection, rig_id).moved


def fields_of_rig(connection: Connection, rig_id: int, runs: Sequence[int]) -> RigFields:
    """Find the fields of the names that changed runs have to do with; all others keep theirs."""
    found = RigFields()
    for candidates in candidates_by_name(connection, rig_id, runs):
        _find(connection, candidates, found)
    return found


def _find(connection: Connection, candidates: Sequence[Candidate], found: RigFields) -> None:
    from runlog.actions.fields import Cover  # with numpy, and only where something changed

    def stars_of(frame: Frame) -> StarList:
        at = frame.identity.id
        return star_lists(connection, [at]).get(at, StarList())

    cover = Cover(candidates, stars_of)
    references, homes = cover.homes()
    found.matches += cover.matches
    frames = [candidate.frame for candidate in candidates]
    for frame, changed in zip(frames, changes(frames, references, homes), strict=True):
        if changed is not None:
            found.changed[frame.identity.id] = changed
            found.outdated.add(frame.context.run_id)
            found.moved.append((frame, changed.answer.matched_to))


def changes(
    frames: Sequence[Frame], references: Sequence[int], homes: "Sequence[Home]"
) -> Iterable[Changed | None]:
    """Give what of each frame is no longer as stored; None where all is."""
    from runlog.actions.fields import Answer

    if not references:
        for frame in frames:
            yield Changed(Answer(), None, True) if frame.placement.matched_to is not None else None
        return
    shown = Counter(home.at for home in homes if home.covered)
    # Of fields with as many frames the one with the better reference: they come best first.
    best = frames[max(references, key=lambda r: shown[r])].key
    runs = [frame.context.run_id for frame in frames]
    seen = {(home.at, run) for run, home in zip(runs, homes, strict=True) if home.covered}
    count = Counter(at for at, _ in seen)
    for frame, home in zip(frames, homes, strict=True):
        own = min(count[home.at], SEVERAL) if home.covered else None
        answer = Answer(frames[home.at].key, home.past, best, own)
        same = not home.fresh and answer == Answer.stored(frame.placement)
        yield None if same else Changed(answer, home.laid, home.fresh)
