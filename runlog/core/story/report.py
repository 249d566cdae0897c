"""One run's night as values: what the command, the screens and a page lay out."""

from collections.abc import Mapping
from dataclasses import dataclass

from runlog.core.frame import Grade, Kind
from runlog.core.ledger.totals import Total
from runlog.core.ledger.worth import Worth, together
from runlog.core.story.model import Dark, Event, Pace, Part, PartVerdict, ToCheck


@dataclass(frozen=True, slots=True)
class NightEvent(Event):
    """An event with the files of its first and last frame."""

    first_path: str | None = None
    last_path: str | None = None


@dataclass(frozen=True, slots=True)
class NightReport:
    """What happened in one run, what it was worth, and what to do about it."""

    night: str | None  # the evening's ISO date
    night_from: str | None  # what told the longitude
    rig: str
    dark: Dark | None
    pace: Pace | None  # of the lights that tell their time
    counts: Mapping[Grade, int]  # of lights
    added: tuple[Total, ...]  # to the totals
    lost: Mapping[str, float]  # seconds not kept, by cause, the most costly first
    verdicts: Mapping[Part, PartVerdict]
    events: tuple[NightEvent, ...]
    to_check: tuple[ToCheck, ...] = ()
    questions: tuple[str, ...] = ()  # what is doubtful in the headers
    others: tuple[tuple[Kind, int], ...] = ()  # frames that are not lights, the most first
    doubt: str = ""  # why nothing is known of Sun and Moon, where that is so
    notes: tuple[str, ...] = ()  # what a person noted of the rig for this night
    copies: int = 0  # lights that do not count: another frame of their exposure does

    @property
    def lights(self) -> int:
        """Count the light frames."""
        return sum(self.counts.values())

    @property
    def kept_s(self) -> float:
        """Exposure time kept."""
        return sum(total.kept_s for total in self.added)

    @property
    def logged_s(self) -> float:
        """Exposure time taken."""
        return sum(total.logged_s for total in self.added)

    @property
    def worth(self) -> Worth:
        """What the kept time is worth by the depth reached, and what that rests on."""
        return together(total.worth for total in self.added)
