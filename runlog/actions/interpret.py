"""What a header means under a person's settings: rig, night, target and filter."""

from collections.abc import Sequence

from runlog.config import Settings
from runlog.core.frame import Card, FrameHeader, Shape
from runlog.core.header import parse_header
from runlog.core.nights import night_of
from runlog.core.targets import fold_target
from runlog.store.frames import Interpreted, Interpreter
from runlog.store.runs import Place, Rig

NO_FILTER = "(no filter)"
COLOUR = "OSC"  # a colour camera's own filters


def interpreter(settings: Settings) -> Interpreter:
    """Make the function that reads meaning from header cards."""

    def interpret(cards: Sequence[Card], shape: Shape, parts: Sequence[str]) -> Interpreted:
        header = parse_header(cards, shape, parts, settings.rules)
        return Interpreted(
            header, _place(header, settings), fold_target(header.target), _filter(header, shape)
        )

    return interpret


def _place(header: FrameHeader, settings: Settings) -> Place:
    rig = Rig(header.camera, header.telescope, header.focal_mm, header.pixel_um)
    if header.taken_at_utc is None:
        return Place(rig, "", "no date in the header")
    night = night_of(header.taken_at_utc, header.longitude_deg, settings.clock)
    return Place(rig, night.evening.isoformat(), night.source)


def _filter(header: FrameHeader, shape: Shape) -> str:
    if header.filter:
        return header.filter
    return COLOUR if header.bayer or shape.planes == 3 else NO_FILTER
