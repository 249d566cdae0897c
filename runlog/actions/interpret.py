"""What a header means under a person's settings and corrections: rig, night, target and filter."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date

from runlog.config import Settings
from runlog.core.corrections.correction import Field, corrected_header, night_said
from runlog.core.corrections.in_force import NOTHING_SAID, Said, spelling_key
from runlog.core.frame import Card, Context, FrameHeader, Kind, Shape
from runlog.core.header.filters import NO_FILTER
from runlog.core.header.parse import parse_header
from runlog.core.header.questions import contradiction
from runlog.core.sky.nights import night_of
from runlog.core.targets.names import NO_TARGET, TargetNames
from runlog.store.catalogue import target_names
from runlog.store.frames import Interpreted
from runlog.store.runs import Rig

SKYWARD = (Kind.LIGHT, Kind.STACK)  # what has a target even when its header names none


class Interpreter:
    """Reads meaning from headers, by a person's settings."""

    def __init__(self, settings: Settings) -> None:
        self._settings, self._names = settings, target_names()

    def parse(self, cards: Sequence[Card], shape: Shape, parts: Sequence[str]) -> FrameHeader:
        """Read cards, as the worker does that reads the file; `parts` are names of its path."""
        return parse_header(cards, shape, parts, self._settings.rules)

    def meaning(self, written: FrameHeader, shape: Shape, said: Said = NOTHING_SAID) -> Interpreted:
        """Apply the settings and what a person said to what a header says."""
        settings, header = self._settings, written
        if said.corrections:
            header = corrected_header(written, said.corrections, lambda h: _evening(h, settings))
        night, night_from = _night(header, settings, night_said(said.corrections))
        rig = Rig(header.camera, header.telescope, header.focal_mm, header.pixel_um)
        context = Context(
            header.kind,
            header.kind_from,
            night=night,
            rig=rig.name,
            night_from=night_from,
            target=_target(header, shape, said, self._names),
            filter=said.corrections.get(Field.FILTER) or _filter(header, shape, settings),
            corrected=tuple(sorted(said.corrections)),
        )
        return Interpreted(header, context, rig)


def _evening(header: FrameHeader, settings: Settings) -> date | None:
    if header.taken_at_utc is None:
        return None
    return night_of(header.taken_at_utc, header.longitude_deg, settings.clock).evening


def _night(header: FrameHeader, settings: Settings, said: str | None) -> tuple[str, str]:
    """Give the evening's date, "" where nothing tells, and what it was taken from."""
    if header.taken_at_utc is None:
        return said or "", "corrected" if said else "no date in the header"
    found = night_of(header.taken_at_utc, header.longitude_deg, settings.clock)
    return found.evening.isoformat(), found.source


def _filter(header: FrameHeader, shape: Shape, settings: Settings) -> str:
    if header.filter:
        return header.filter
    return settings.colour_filter if header.bayer or shape.planes == 3 else NO_FILTER


# What copies of a frame must agree on: its place in the totals hangs on these.
_IN_DOUBT: Mapping[str, Callable[[Interpreted], object]] = {
    "start": lambda meant: meant.header.taken_at_utc,
    "length": lambda meant: meant.header.exposure_s,
    "target": lambda meant: meant.context.target,
    "filter": lambda meant: meant.context.filter,
}


def doubted(meant: Interpreted, copies: Sequence[Interpreted]) -> Interpreted:
    """Ask about what copies contradict; one that is silent contradicts nothing."""
    parts = [
        part
        for part, of in _IN_DOUBT.items()
        if any(of(copy) not in (None, "", of(meant)) for copy in copies)
    ]
    if not parts:
        return meant
    asked = (*meant.header.questions, contradiction(parts))
    return replace(meant, header=replace(meant.header, questions=asked))


# --- targets --------------------------------------------------------------------------------


def _target(header: FrameHeader, shape: Shape, said: Said, names: TargetNames) -> str:
    if Field.TARGET in said.corrections:
        return said.changes.final(said.corrections[Field.TARGET])
    apart = said.changes.apart.get(spelling_key(header.target))
    if apart is not None:
        return said.changes.final(apart)
    name = names.fold(header.target).name
    if name == NO_TARGET and header.kind in SKYWARD:
        field_deg = field_of_view_deg(shape.width, shape.height, header.arcsec_per_px)
        name = pointed_at(names, header.ra_deg, header.dec_deg, field_deg)
    return said.changes.final(name)


def pointed_at(
    names: TargetNames, ra_deg: float | None, dec_deg: float | None, field_deg: float | None
) -> str:
    """Name what a frame without a name points at; without coordinates it has no target."""
    if ra_deg is None or dec_deg is None:
        return NO_TARGET
    return names.at(ra_deg, dec_deg, field_deg).name


def field_of_view_deg(width: int, height: int, arcsec_per_px: float | None) -> float | None:
    """Give the shorter side of a frame in degrees; None where the plate scale is unknown."""
    return min(width, height) * arcsec_per_px / 3600.0 if arcsec_per_px else None
