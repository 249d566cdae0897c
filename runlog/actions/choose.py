"""Turn what a person typed into a selection of frames, and say it back in words."""

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy import Connection

from runlog.actions.mark import find_frame
from runlog.actions.names import one_target
from runlog.actions.select import evening, one_filter
from runlog.config import Settings
from runlog.core.corrections.correction import read_kind
from runlog.core.targets.places import read_place
from runlog.errors import UsageError
from runlog.ingest.paths import stored_path
from runlog.store.choose import Chosen

NEAR_DEG = 0.25


@dataclass(frozen=True, slots=True)
class Selection:
    """A selection as typed."""

    frames: Sequence[str] = ()
    night: str | None = None
    folder: str | None = None
    pattern: str | None = None
    target: str | None = None
    filter: str | None = None
    kind: str | None = None
    rig: str | None = None
    near: str | None = None
    within_deg: float = NEAR_DEG

    def words(self) -> str:
        """Say the selection in words, for the book of corrections."""
        said = [f"{len(self.frames)} named"] if self.frames else []
        names = ("night", "folder", "pattern", "target", "filter", "kind", "rig", "near")
        said += [f"{name} {value}" for name in names if (value := getattr(self, name)) is not None]
        return ", ".join(said)


def choose(connection: Connection, selection: Selection, settings: Settings) -> Chosen:
    """Check and fold a selection; an empty one is refused."""
    names = settings.rules.filter_names
    chosen = Chosen(
        night=evening(selection.night) if selection.night else None,
        folder=stored_path(selection.folder) if selection.folder else None,
        pattern=selection.pattern,
        target=one_target(connection, selection.target) if selection.target else None,
        filter=one_filter(selection.filter, names) if selection.filter else None,
        kind=read_kind(selection.kind) if selection.kind else None,
        rig=selection.rig,
        near_deg=_near(selection),
        frame_ids=_named(connection, selection.frames),
    )
    if chosen.asks_nothing:
        raise UsageError(
            "No frames are chosen",
            cure="Say which: --night, --folder, --pattern, --target, --filter, --kind, --rig, "
            "--near, or name files",
        )
    return chosen


def _near(selection: Selection) -> tuple[float, float, float] | None:
    if selection.near is None:
        return None
    place = read_place(selection.near)
    if place is None:
        raise UsageError(
            f"{selection.near!r} is no place in the sky", cure='As in "20h59m17s +44d31m"'
        )
    return (*place, selection.within_deg)


def _named(connection: Connection, names: Sequence[str]) -> tuple[int, ...] | None:
    if not names:
        return None
    return tuple(dict.fromkeys(find_frame(connection, name) for name in names))
