"""What of a frame's rows is the camera's own: the same place in its other frames, nights, darks."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from math import ceil
from statistics import median

from runlog.core.sensor.signs import Band, Break, Edge, Signs, Stretch, bands_of, standing_out
from runlog.core.sensor.words import CAMERA_OR_CABLE, columns_beside, signs_in_words

SAME_PX = 1  # the same rows within a pixel
PATTERN_SHARE = 0.3  # of a night's frames show a row that belongs to the night's pattern
NEARLY_EVERY = 0.6  # of the night's other frames: then it is no fault of this one
EDGE_SHARE, EDGE_LEAST = 0.015, 4  # of the rows at each edge: overscan, ramps
BAND_SIGMA = 0.35  # a jump and the jump back, in units of the pixel noise
STEP_SIGMA = 0.6  # a jump that stays; flat fields and seams make small ones
TRAIL_ROWS = 3  # so narrow a bright band alone may be a trail along the rows
BORDER_SHARE = 0.05  # of the rows: registering leaves so many blank at a border
BORDERS_ALIKE = 0.3  # of the other frames with a blank border: then they were registered


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


@dataclass(frozen=True, slots=True)
class Finding:
    """What comparing found: a fault of this frame, or what cannot be told; in words."""

    fault: str | None = None
    doubt: str | None = None


DARK = "dark"
DARK_NIGHTS = frozenset(("dark 1", "dark 2"))
NOTHING = Finding()


def pattern_of(night: str, source: str, frames: int, seen: Sequence[Looked]) -> Pattern:
    """Find what enough frames of a night show at the same place; `seen` has those with signs."""
    least = min(frames, max(2, ceil(PATTERN_SHARE * frames)))
    columns = [{_column(b): b.jump_sigma for b in f.signs.columns} for f in seen]
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


@dataclass(frozen=True, slots=True)
class Company:
    """What the frames of one night, camera and size are compared with."""

    height: int
    frames: int  # of this night that were looked at
    others_elsewhere: int  # frames of other nights
    own: Pattern  # the camera's own, seen from this night
    near: Counter[Edge]  # frames of this night with a change there
    bordered: int  # frames of this night with a blank border
    near_columns: Counter[Edge] = field(default_factory=Counter)  # as `near`


def company_of(
    height: int, frames: int, seen: Sequence[Looked], others_elsewhere: int, own: Pattern
) -> Company:
    """Sum up what the frames of a night are compared with."""
    near = near_counts(frame.signs.edges for frame in seen)
    bordered = sum(any(_at_border(s, height) for s in frame.signs.blank) for frame in seen)
    columns = near_counts(map(_column, frame.signs.columns) for frame in seen)
    return Company(height, frames, others_elsewhere, own, near, bordered, columns)


def findings(seen: Sequence[Looked], company: Company) -> dict[int, Finding]:
    """Judge each frame of a night by the camera's other frames."""
    found = {frame.key: _finding(frame.signs, company) for frame in seen}
    faulty = sum(f.fault is not None for f in found.values())
    if faulty <= 1 or faulty < NEARLY_EVERY * company.frames:
        return found
    more = f"; nearly every frame of this night has such, each in other rows: {CAMERA_OR_CABLE}"
    return {key: Finding(f"{f.fault}{more}", f.doubt) if f.fault else f for key, f in found.items()}


def suspicion(signs: Signs, height: int) -> str | None:
    """Say what stands out in a frame of which no other is known; None where nothing does."""
    return _finding(signs, Company(height, 1, 0, own_of(()), Counter(), 0)).doubt


def _finding(signs: Signs, company: Company) -> Finding:
    left = _without(signs, lambda edge: _is_own(edge, company.own), company.height)
    if not _matters(left, company):
        return NOTHING
    if company.frames + company.others_elsewhere <= 1:
        words = "no other frame of this camera tells whether that is its own way"
        return Finding(doubt=f"{_said(left, company.height)}: {words}")
    foreign = _without(left, lambda edge: _all_night(edge, company), company.height)
    if _matters(foreign, company):
        words = "not so in the camera's other frames"
        return Finding(fault=f"{_said(foreign, company.height)}, {words}")
    alone = company.frames == 1
    where = "the only frame of its night" if alone else "so in nearly every frame of this night"
    unknown = "no other night, dark or bias tells whether that is the camera or the cable"
    columns = columns_beside(_columns_alike(signs, company))
    return Finding(doubt=f"{_said(left, company.height)}{columns}: {where}, and {unknown}")


def _columns_alike(signs: Signs, company: Company) -> list[Band]:
    """Take a frame's columns that nearly all of its night show, without the camera's own."""

    def is_new(at: int) -> bool:
        return not any(abs(k.at - at) <= SAME_PX for k in company.own.columns)

    others = NEARLY_EVERY * (company.frames - 1)
    seen = [b for b in signs.columns if company.near_columns[_column(b)] - 1 >= others]
    return bands_of(b for b in seen if is_new(b.at))


def _column(b: Break) -> Edge:
    return Edge("jump", b.at)


def _said(signs: Signs, height: int) -> str:
    """Say what stands out, without bands too weak to be held against a frame."""
    strong = [band for band in _strong_bands(signs.rows, height) if _is_strong(band, height)]
    within = {row for b in strong for row in (b.first, b.last if b.last is None else b.last + 1)}
    return signs_in_words(
        replace(signs, rows=tuple(b for b in signs.rows if b.at in within)), height
    )


def _is_own(edge: Edge, own: Pattern) -> bool:
    return any(k.what == edge.what and abs(k.at - edge.at) <= SAME_PX for k in own.rows)


def _all_night(edge: Edge, company: Company) -> bool:
    """Tell whether nearly every other frame of the night shows the same."""
    return company.near[edge] - 1 >= NEARLY_EVERY * (company.frames - 1)


def _without(signs: Signs, known: Callable[[Edge], bool], height: int) -> Signs:
    """Leave out what is known; a stretch is, when the rows where it begins and ends are."""

    def new(what: str, stretch: Stretch) -> bool:
        inner = {stretch.first, stretch.last + 1} - {0, height}
        return not all(known(Edge(what, row)) for row in inner)

    return Signs(
        rows=tuple(b for b in signs.rows if not known(Edge("jump", b.at))),
        blank=tuple(s for s in signs.blank if new("blank", s)),
        repeated=tuple(s for s in signs.repeated if new("copy", s)),
        slips=tuple(s for s in signs.slips if not known(Edge("slip", s.at))),
    )


def _matters(signs: Signs, company: Company) -> bool:
    """Tell whether what is left would be a fault, were it not the camera's own."""
    if signs.repeated or signs.slips:
        return True
    if any(_is_loss(stretch, company) for stretch in signs.blank):
        return True
    strong = _strong_bands(signs.rows, company.height)
    return any(map(partial(_is_strong, height=company.height), strong))


def _strong_bands(breaks: Sequence[Break], height: int) -> list[Band]:
    """Take the bands, without a narrow bright one that is alone: it may be a trail."""
    bands = standing_out(bands_of(breaks), height)
    if len(bands) == 1 and bands[0].jump_sigma > 0 and bands[0].last is not None:
        return bands if bands[0].last - bands[0].first + 1 > TRAIL_ROWS else []
    return bands


def _is_strong(band: Band, height: int) -> bool:
    edge = max(EDGE_LEAST, EDGE_SHARE * height)
    last = band.first if band.last is None else band.last
    if last < edge or band.first >= height - edge:
        return False
    return abs(band.jump_sigma) >= (STEP_SIGMA if band.last is None else BAND_SIGMA)


def _at_border(stretch: Stretch, height: int) -> bool:
    return stretch.first == 0 or stretch.last == height - 1


def _is_loss(stretch: Stretch, company: Company) -> bool:
    """Tell rows that were never read from the blank border that registering leaves."""
    if not _at_border(stretch, company.height):
        return True
    rows = stretch.last - stretch.first + 1
    others = max(1, company.frames - 1)
    registered = company.bordered - 1 >= BORDERS_ALIKE * others and company.bordered > 1
    return rows > BORDER_SHARE * company.height and not registered
