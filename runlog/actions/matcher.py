"""What each frame is compared with: its field's reference, found once a settling."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from sqlalchemy import Connection

from runlog.actions.fields import CONFIRMED, Answer, Cover, Home, covers
from runlog.actions.matching import PLACED, lay_on, plate_of, stored_place
from runlog.core.frame import Frame, Placement, StarList
from runlog.store.fields import Sight, sights_by_name
from runlog.store.settling import frames_by_key
from runlog.store.stars import star_lists

MATCHED = (*Answer._fields, *PLACED)
SEVERAL = 2  # runs: whether a field was seen on another night is all that is asked
Found = dict[str, Any]


@dataclass(slots=True)
class RigFields:
    """The fields of one rig, and what of the stored answers no longer holds."""

    changed: dict[int, Found] = field(default_factory=dict)  # by frame id
    outdated: set[int] = field(default_factory=set)  # run ids
    matches: int = 0


class Matcher:
    """Finds fields and what each frame is compared with; remembers both for one settling."""

    def __init__(self) -> None:
        self._rigs: dict[int, RigFields] = {}
        self._references: dict[str, Frame] = {}
        self._stars: dict[int, StarList] = {}
        self._depths: dict[tuple[str, str], float | None] = {}

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
        found = {
            frame.identity.id: replace(frame.placement, **changed.get(frame.identity.id, {}))
            for frame in frames
        }
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
            self._rigs[rig_id] = fields_of_rig(connection, rig_id)
        return self._rigs[rig_id]

    def depth_throughput(
        self, connection: Connection, reference: Frame, content_key: str
    ) -> float | None:
        """Give the light of the frozen depth frame against a field's reference."""
        key = (reference.key, content_key)
        if key not in self._depths:
            self._depths[key] = self._measure_depth(connection, reference, content_key)
        return self._depths[key]

    def _measure_depth(
        self, connection: Connection, reference: Frame, content_key: str
    ) -> float | None:
        frame = frames_by_key(connection, [content_key]).get(content_key)
        if frame is None or frame.header.gain != reference.header.gain:
            return None
        if frame.key == reference.key:
            return 1.0
        here, there = self._stars_of(connection, frame), self._stars_of(connection, reference)
        laid = lay_on(plate_of(reference), there, plate_of(frame), here)
        # Another field has stars of its own: its light is relative to its own best frame.
        return 1.0 if laid is None else laid.throughput

    def _stars_of(self, connection: Connection, frame: Frame) -> StarList:
        at = frame.identity.id
        if at not in self._stars:
            self._stars |= {at: StarList()} | star_lists(connection, [at])
        return self._stars[at]


def fields_of_rig(connection: Connection, rig_id: int) -> RigFields:
    """Find the fields of all names of a rig; names in which nothing changed keep theirs."""
    found = RigFields()
    for sights in sights_by_name(connection, rig_id):
        if not at_rest(sights):
            _find(connection, sights, found)
    return found


def _find(connection: Connection, sights: Sequence[Sight], found: RigFields) -> None:
    def stars_of(sight: Sight) -> StarList:
        return star_lists(connection, [sight.id]).get(sight.id, StarList())

    cover = Cover(sights, stars_of)
    references, homes = cover.homes()
    found.matches += cover.matches
    for sight, changed in zip(sights, changes(sights, references, homes), strict=True):
        if changed:
            found.changed[sight.id] = changed
            found.outdated.add(sight.run_id)


def changes(
    sights: Sequence[Sight], references: Sequence[int], homes: Sequence[Home]
) -> Iterable[Found]:
    """Give the columns of each frame that are no longer what is stored."""
    if not references:
        for sight in sights:
            yield dict.fromkeys(MATCHED) if sight.matched_to is not None else {}
        return
    shown = Counter(home.at for home in homes if home.covered)
    # Of fields with as many frames the one with the better reference: they come best first.
    best = sights[max(references, key=lambda r: shown[r])].content_key
    seen = {(home.at, s.run_id) for s, home in zip(sights, homes, strict=True) if home.covered}
    runs = Counter(at for at, _ in seen)
    for sight, home in zip(sights, homes, strict=True):
        count = min(runs[home.at], SEVERAL) if home.covered else None
        answer = Answer(sights[home.at].content_key, home.past, best, count)
        changed: Found = {
            name: value for name, value in answer._asdict().items() if getattr(sight, name) != value
        }
        if home.fresh:
            changed |= _place(home)
        yield changed


def _place(home: Home) -> Found:
    if home.laid is None:
        return dict.fromkeys(PLACED)
    return {name: getattr(home.laid, name) for name in PLACED}


def at_rest(sights: Sequence[Sight]) -> bool:
    """Tell whether the stored answers of a name's frames all hold."""
    if any(s.dirty for s in sights):
        return False
    own = {s.content_key for s in sights if s.fit and s.matched_to == s.content_key}
    if not own:
        return all(s.matched_to is None and not s.fit for s in sights)
    bests, homes = {s.best_of_name for s in sights}, {s.matched_to for s in sights}
    if len(bests) > 1 or not bests <= own or not homes <= own:
        return False
    shown = Counter(s.matched_to for s in sights if covers(stored_place(s)))
    return len(own) == 1 or all(shown[key] >= CONFIRMED for key in own)
