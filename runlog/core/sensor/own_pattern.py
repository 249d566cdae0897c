"""What the frames of a night have in common, and what of it is the camera's own."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil
from statistics import median

from runlog.core.sensor.signs import Band, Break, Edge, Signs, bands_of

SAME_PX = 1  # the same rows within a pixel
PATTERN_SHARE = 0.3  # of a night's frames show a row that belongs to the night's pattern


@dataclass(frozen=True, slots=True)
class Line:
    """A row (or column) at which the frames of a night change, and by how much they jump."""

    at: int
    jump_sigma: float
    what: str = "jump"


def bands_of_lines(lines: Sequence[Line]) -> list[Band]:
    """Join the lines of a pattern to bands; how large they are in ADU differs by frame."""
    jumps = bands_of(Break(k.at, 0.0, k.jump_sigma) for k in lines if k.what == "jump")
    blank = [k.at for k in lines if k.what == "blank"]
    # Where a blank stretch begins and ends; one at the first row begins at 0.
    pairs = zip(blank[::2], blank[1::2], strict=False)
    return jumps + [Band(first, stop - 1, 0.0, 0.0) for first, stop in pairs]


@dataclass(frozen=True, slots=True)
class Pattern:
    """What the frames of one camera and size had in common on one night, or its darks and bias."""

    night: str
    source: str  # stage of light frames, or "dark"
    frames: int
    rows: tuple[Line, ...] = ()
    columns: tuple[Line, ...] = ()


@dataclass(frozen=True, slots=True)
class Looked:
    """One frame whose rows were looked at."""

    key: int
    signs: Signs


DARK = "dark"
DARK_NIGHTS = frozenset(("dark 1", "dark 2"))


def pattern_of(night: str, source: str, frames: int, seen: Sequence[Looked]) -> Pattern:
    """Find what enough frames of a night show at the same place; `seen` has those with signs."""
    least = min(frames, max(2, ceil(PATTERN_SHARE * frames)))
    columns = [{column_edge(b): b.jump_sigma for b in f.signs.columns} for f in seen]
    rows = _common([frame.signs.edges for frame in seen], least)
    return Pattern(night, source, frames, rows, _common(columns, least))


def _common(frames: Sequence[Mapping[Edge, float]], least: int) -> tuple[Line, ...]:
    counts = near_counts(frames)
    jumps: dict[Edge, list[float]] = {}
    for edges in frames:
        for edge, jump in edges.items():
            if counts[edge] >= least:
                jumps.setdefault(edge, []).append(jump)
    # Of places within a pixel of each other and with the same sign the one seen most stands.
    most = sorted(jumps.items(), key=lambda item: (-len(item[1]), item[0]))
    return _apart(Line(edge.at, round(median(values), 3), edge.what) for edge, values in most)


def near_counts(frames: Iterable[Iterable[Edge]]) -> Counter[Edge]:
    """Count, for each place, the frames that change in the same way there or a pixel away."""
    return Counter(near for edges in frames for near in {n for e in edges for n in _beside(e)})


def column_edge(b: Break) -> Edge:
    """Give the place of a jump between columns."""
    return Edge("jump", b.at)


def _beside(edge: Edge) -> list[Edge]:
    return [Edge(edge.what, edge.at + d) for d in range(-SAME_PX, 1 + SAME_PX)]


@dataclass(frozen=True, slots=True)
class Census:
    """Every line that the nights and darks of a sensor show, and on which nights it is there."""

    frames: int
    rows: tuple[Line, ...]
    columns: tuple[Line, ...]
    row_nights: Mapping[Edge, set[str]]
    column_nights: Mapping[Edge, set[str]]


def census_of(patterns: Iterable[Pattern]) -> Census:
    """Count on which nights each line is there."""
    every = list(patterns)
    rows, row_nights = _counted([(p.night, p.source, p.rows) for p in every])
    columns, column_nights = _counted([(p.night, p.source, p.columns) for p in every])
    return Census(sum(p.frames for p in every), rows, columns, row_nights, column_nights)


def own_of(patterns: Iterable[Pattern], night: str | None = None) -> Pattern:
    """Gather what is the camera's own, from patterns as they are."""
    return own_by(census_of(patterns), night)


def own_by(census: Census, night: str | None = None) -> Pattern:
    """Gather what is the camera's own: in darks or bias, or on two nights.

    Seen from one night, whatever another one shows as well is on two.
    """
    at_hand = set() if night is None else {night}

    def chosen(lines: Iterable[Line], nights: Mapping[Edge, set[str]]) -> tuple[Line, ...]:
        return tuple(k for k in lines if len(nights[Edge(k.what, k.at)] | at_hand) >= 2)

    rows = chosen(census.rows, census.row_nights)
    return Pattern("", "", census.frames, rows, chosen(census.columns, census.column_nights))


def first_seen_by(census: Census, own: Pattern, night: str) -> Pattern:
    """Give those of the camera's own lines that no light frames of an earlier night show."""

    def chosen(lines: Iterable[Line], nights: Mapping[Edge, set[str]]) -> tuple[Line, ...]:
        return tuple(
            k for k in lines if min(nights[Edge(k.what, k.at)] - DARK_NIGHTS, default="") == night
        )

    rows = chosen(own.rows, census.row_nights)
    return replace(own, rows=rows, columns=chosen(own.columns, census.column_nights))


def _counted(
    patterns: Sequence[tuple[str, str, Sequence[Line]]],
) -> tuple[tuple[Line, ...], Mapping[Edge, set[str]]]:
    nights: dict[Edge, set[str]] = {}
    for of, source, lines in patterns:
        # Darks tell alone: they count as two nights.
        names = DARK_NIGHTS if source == DARK else {of}
        for line in lines:
            for near in _beside(Edge(line.what, line.at)):
                nights.setdefault(near, set()).update(names)
    known = {line for _, _, lines in patterns for line in lines}
    widest = sorted(
        known,
        key=lambda k: (
            -len(nights[Edge(k.what, k.at)]),
            -abs(k.jump_sigma),
            k.at,
            k.what,
            k.jump_sigma,
        ),
    )
    return _apart(widest), nights


def _apart(lines: Iterable[Line]) -> tuple[Line, ...]:
    """Take lines in turn, without those within a pixel of one taken that jump the same way."""
    kept: list[Line] = []
    for line in lines:
        if not any(_same(line, k) for k in kept):
            kept.append(line)
    return tuple(sorted(kept, key=lambda k: (k.at, k.what)))


def _same(line: Line, other: Line) -> bool:
    near = line.what == other.what and abs(line.at - other.at) <= SAME_PX
    # Lines next to each other may jump up and back; one row jumps otherwise in darks.
    return near and (line.at == other.at or line.jump_sigma * other.jump_sigma >= 0)
