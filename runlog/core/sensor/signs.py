"""What stands out about a frame's rows and columns, by place: evidence, not yet a verdict."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple


@dataclass(frozen=True, slots=True)
class Break:
    """A place where the level of whole rows (or columns) jumps."""

    at: int  # first row behind the jump, 0-based
    jump_adu: float  # level behind it minus level before it
    jump_sigma: float  # the same in units of the noise of one pixel


@dataclass(frozen=True, slots=True)
class Stretch:
    """Rows that belong together; `copied_from` is the first row they repeat, if they do."""

    first: int
    last: int
    copied_from: int | None = None


@dataclass(frozen=True, slots=True)
class Slip:
    """A row from which on the picture is displaced sideways against the rows before it."""

    at: int
    shift_px: int


class Edge(NamedTuple):
    """The first row behind a change, and what changes: jump, slip, blank or copy."""

    what: str
    at: int


@dataclass(frozen=True, slots=True)
class Signs:
    """All that stands out about the rows and columns of one frame, in order of their place."""

    rows: tuple[Break, ...] = ()
    columns: tuple[Break, ...] = ()
    blank: tuple[Stretch, ...] = ()  # rows without any noise
    repeated: tuple[Stretch, ...] = ()
    slips: tuple[Slip, ...] = ()

    def __bool__(self) -> bool:
        return any((self.rows, self.columns, self.blank, self.repeated, self.slips))

    @property
    def edges(self) -> dict[Edge, float]:
        """All rows at which something changes, by what it is; with the jump, where it is one."""
        places = [Edge("slip", s.at) for s in self.slips]
        for what, stretches in (("blank", self.blank), ("copy", self.repeated)):
            places += [Edge(what, row) for s in stretches for row in (s.first, s.last + 1)]
        return dict.fromkeys(places, 0.0) | {Edge("jump", b.at): b.jump_sigma for b in self.rows}


Packed = dict[str, list[list[Any]]]
DIGITS = 3


def pack_signs(signs: Signs) -> Packed:
    """Turn signs into what JSON can hold; empty when nothing stands out."""
    packed: Packed = {
        "rows": _packed_breaks(signs.rows),
        "columns": _packed_breaks(signs.columns),
        "blank": [[s.first, s.last] for s in signs.blank],
        "repeated": [[s.first, s.last, s.copied_from] for s in signs.repeated],
        "slips": [[s.at, s.shift_px] for s in signs.slips],
    }
    return {name: values for name, values in packed.items() if values}


def unpack_signs(packed: Packed | None) -> Signs:
    """Undo `pack_signs`."""
    if not packed:
        return Signs()
    return Signs(
        rows=tuple(Break(*b) for b in packed.get("rows", ())),
        columns=tuple(Break(*b) for b in packed.get("columns", ())),
        blank=tuple(Stretch(*s) for s in packed.get("blank", ())),
        repeated=tuple(Stretch(*s) for s in packed.get("repeated", ())),
        slips=tuple(Slip(*s) for s in packed.get("slips", ())),
    )


def _packed_breaks(breaks: Sequence[Break]) -> list[list[Any]]:
    # Levels of any size: floats in physical units may be 1e-19.
    return [[b.at, float(f"{b.jump_adu:.6g}"), round(b.jump_sigma, DIGITS)] for b in breaks]


@dataclass(frozen=True, slots=True)
class Band:
    """Rows between a jump and the jump back; `last` is None where the level stays."""

    first: int
    last: int | None
    jump_adu: float
    jump_sigma: float


BACK = 0.6  # of the first jump, at least, is what the jump back must undo


def bands_of(breaks: Iterable[Break]) -> list[Band]:
    """Pair each jump with the next one when that undoes it; the rest are steps that stay."""
    bands: list[Band] = []
    waiting: Break | None = None
    for b in sorted(breaks, key=lambda b: b.at):
        if waiting is not None and _undoes(b, waiting):
            middle = (waiting.jump_adu - b.jump_adu) / 2, (waiting.jump_sigma - b.jump_sigma) / 2
            bands.append(Band(waiting.at, b.at - 1, *middle))
            waiting = None
            continue
        if waiting is not None:
            bands.append(Band(waiting.at, None, waiting.jump_adu, waiting.jump_sigma))
        waiting = b
    if waiting is not None:
        bands.append(Band(waiting.at, None, waiting.jump_adu, waiting.jump_sigma))
    return bands


def standing_out(bands: Iterable[Band], length: int) -> list[Band]:
    """Take a band over more than half of the rows for what it is: two steps, near the edges."""
    found: list[Band] = []
    for b in bands:
        if b.last is None or 2 * (b.last - b.first + 1) <= length:
            found.append(b)
            continue
        found.append(Band(b.first, None, b.jump_adu, b.jump_sigma))
        found.append(Band(b.last + 1, None, -b.jump_adu, -b.jump_sigma))
    return found


def _undoes(b: Break, earlier: Break) -> bool:
    share = -b.jump_sigma / earlier.jump_sigma if earlier.jump_sigma else 0.0
    return BACK <= share <= 1 / BACK
