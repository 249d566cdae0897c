"""What screens and widgets report to the app; none of them calls it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from textual.message import Message


@dataclass(frozen=True, slots=True)
class PageOf:
    """What a page to keep is about: a night, a target or a season, by its name."""

    about: Literal["night", "target", "season"]
    name: str


@dataclass
class Said(Message):
    """Words on what just happened; newer ones take the place of those not yet shown."""

    words: str

    def can_replace(self, message: Message) -> bool:
        """Let the newest stand for all that wait."""
        return isinstance(message, Said)


@dataclass
class PlaceWanted(Message):
    """One of the six places is asked for."""

    place: str


@dataclass
class FramesWanted(Message):
    """The frames that words find are asked for; Escape there leads back to a place."""

    words: str
    every_night: bool
    back: str


@dataclass
class Graded(Message):
    """A person decided on frames."""

    ids: Sequence[int]
    grade: str


@dataclass
class Annotated(Message):
    """A person wrote a note on frames."""

    ids: Sequence[int]
    note: str


@dataclass
class NotedOnRig(Message):
    """A person wrote down what was changed on a rig, or a remark."""

    rig: str
    night: str
    text: str
    changed: bool


@dataclass
class ScanTold(Message):
    """How a scan is doing; newer words take the place of those not yet shown."""

    words: str

    def can_replace(self, message: Message) -> bool:
        """Let the newest stand for all that wait."""
        return isinstance(message, ScanTold)
