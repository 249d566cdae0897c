"""What a header means under a person's settings and corrections: rig, night, target and filter."""

from collections.abc import Sequence
from datetime import date

from runlog.config import Settings
from runlog.core.corrections.correction import Field, corrected_header, night_said
from runlog.core.corrections.in_force import NOTHING_SAID, Said, spelling_key
from runlog.core.frame import Card, FrameHeader, Kind, Shape
from runlog.core.header.filters import NO_FILTER
from runlog.core.header.parse import parse_header
from runlog.core.sky.nights import night_of
from runlog.core.targets.names import NO_TARGET, TargetNames
from runlog.store.catalogue import target_names
from runlog.store.frames import Interpreted, Interpreter
from runlog.store.runs import Place, Rig

SKYWARD = (Kind.LIGHT, Kind.STACK)  # what has a target even when its header names none


def interpreter(settings: Settings) -> Interpreter:
    """Make the function that reads meaning from header cards."""
    names = target_names()

    def interpret(
        cards: Sequence[Card], shape: Shape, parts: Sequence[str], said: Said = NOTHING_SAID
    ) -> Interpreted:
        written = parse_header(cards, shape, parts, settings.rules)
        header = written
        if said.corrections:
            header = corrected_header(written, said.corrections, lambda h: _evening(h, settings))
        return Interpreted(
            header,
            _place(header, settings, night_said(said.corrections)),
            _target(header, shape, said, names),
            said.corrections.get(Field.FILTER) or _filter(header, shape, settings),
            tuple(sorted(said.corrections)),
        )

    return interpret


def _evening(header: FrameHeader, settings: Settings) -> date | None:
    if header.taken_at_utc is None:
        return None
    return night_of(header.taken_at_utc, header.longitude_deg, settings.clock).evening


def _place(header: FrameHeader, settings: Settings, night: str | None) -> Place:
    rig = Rig(header.camera, header.telescope, header.focal_mm, header.pixel_um)
    if header.taken_at_utc is None:
        return Place(rig, night or "", "corrected" if night else "no date in the header")
    found = night_of(header.taken_at_utc, header.longitude_deg, settings.clock)
    return Place(rig, found.evening.isoformat(), found.source)


def _filter(header: FrameHeader, shape: Shape, settings: Settings) -> str:
    if header.filter:
        return header.filter
    return settings.colour_filter if header.bayer or shape.planes == 3 else NO_FILTER


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
