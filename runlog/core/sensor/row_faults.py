"""Which of a frame's rows are a fault: what the camera's other frames, nights and darks lack."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from math import sqrt
from statistics import median

from runlog.core.sensor.own_pattern import (
    SAME_PX,
    Looked,
    Pattern,
    column_edge,
    near_counts,
    own_of,
)
from runlog.core.sensor.signs import Band, Break, Edge, Signs, Stretch, bands_of, standing_out
from runlog.core.sensor.words import CAMERA_OR_CABLE, columns_beside, signs_in_words

NEARLY_EVERY = 0.6  # of the night's other frames: then it is no fault of this one
EDGE_SHARE, EDGE_LEAST = 0.015, 4  # of the rows at each edge: overscan, ramps
DEEPEST_EDGE = 0.1  # of the rows: so far in may a mask or an unlit edge reach
BAND_SIGMA, BAND_ROWS = 0.35, 4  # a jump and the jump back, in units of the pixel noise; of so
# many rows, fewer do less harm
STEP_SIGMA = 0.6  # a jump that stays; flat fields and seams make small ones
TRAIL_ROWS = 3  # so narrow a bright band alone may be a trail along the rows
BORDER_SHARE = 0.05  # of the rows: registering leaves so many blank at a border
BORDERS_ALIKE = 0.3  # of the other frames with a blank border: then they were registered
BORDERS_DIFFER = 3.0  # times the usual one, at the most, registering leaves
BORDER_GAP = 3  # rows with a cosmic ray or a hot pixel part a blank border


@dataclass(frozen=True, slots=True)
class Finding:
    """What comparing found: a fault of this frame, or what cannot be told; in words."""

    fault: str | None = None
    doubt: str | None = None


NOTHING = Finding()


@dataclass(frozen=True, slots=True)
class Margins:
    """Rows at a frame's borders that are the camera's edge, and how much there may be blank."""

    top: float
    bottom: float
    blank: float


def margins_of(height: int, frames: int, seen: Sequence[Looked]) -> Margins:
    """
    Tell how deep the edges of a night's frames are.

    How many rows a mask, or a part that sees no light, takes varies with the light and the
    telescope's flexure: where nearly every frame has such an edge, rows about as deep as usual
    belong to it.
    """
    edge = max(EDGE_LEAST, EDGE_SHARE * height)
    tops, bottoms = zip(*[_unlit(f.signs, height) for f in seen], strict=True) if seen else ((), ())
    borders = [max(_border(f.signs.blank, height)) for f in seen]
    return Margins(
        edge + _usual(tops, frames, NEARLY_EVERY),
        edge + _usual(bottoms, frames, NEARLY_EVERY),
        BORDER_SHARE * height + BORDERS_DIFFER * _usual(borders, frames, BORDERS_ALIKE),
    )


def _usual(depths: Sequence[int], frames: int, share: float) -> float:
    """Median of depths, where so large a share of the other frames has any; else 0."""
    some = [depth for depth in depths if depth]
    if len(some) < 2 or len(some) - 1 < share * (frames - 1):
        return 0.0
    return float(median(some))


def _unlit(signs: Signs, height: int) -> tuple[int, int]:
    """Count the rows at the first and at the last one that hold nothing, or far less."""
    deepest = DEEPEST_EDGE * height
    steps = [b for b in standing_out(bands_of(signs.rows), height) if b.last is None]
    rising = [b.first for b in steps if b.jump_sigma >= STEP_SIGMA]
    falling = [height - b.first for b in steps if b.jump_sigma <= -STEP_SIGMA]
    top, bottom = _border(signs.blank, height)
    return (
        max((depth for depth in (top, *rising) if depth <= deepest), default=0),
        max((depth for depth in (bottom, *falling) if depth <= deepest), default=0),
    )


def _border(blank: Sequence[Stretch], height: int) -> tuple[int, int]:
    """Count the blank rows at the first and at the last one."""
    top = bottom = 0
    for s in blank:
        if s.first - top <= BORDER_GAP * (top > 0):
            top = s.last + 1
    for s in reversed(blank):
        if height - 1 - s.last - bottom <= BORDER_GAP * (bottom > 0):
            bottom = height - s.first
    return top, bottom


@dataclass(frozen=True, slots=True)
class Company:
    """What the frames of one night, camera and size are compared with."""

    height: int
    frames: int  # of this night that were looked at
    others_elsewhere: int  # frames of other nights
    own: Pattern  # the camera's own, seen from this night
    near: Counter[Edge]  # frames of this night with a change there
    margins: Margins
    near_columns: Counter[Edge] = field(default_factory=Counter)  # as `near`


def company_of(
    height: int, frames: int, seen: Sequence[Looked], others_elsewhere: int, own: Pattern
) -> Company:
    """Sum up what the frames of a night are compared with."""
    near = near_counts(frame.signs.edges for frame in seen)
    columns = near_counts(map(column_edge, frame.signs.columns) for frame in seen)
    margins = margins_of(height, frames, seen)
    return Company(height, frames, others_elsewhere, own, near, margins, columns)


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
    return _finding(signs, company_of(height, 1, (), 0, own_of(()))).doubt


def _finding(signs: Signs, company: Company) -> Finding:
    left = _without(signs, lambda edge: _is_own(edge, company.own), company.height)
    if not _matters(left, company):
        return NOTHING
    if company.frames + company.others_elsewhere <= 1:
        words = "no other frame of this camera tells whether that is its own way"
        return Finding(doubt=f"{_said(left, company)}: {words}")
    foreign = _without(left, lambda edge: _all_night(edge, company), company.height)
    if _matters(foreign, company):
        words = "not so in the camera's other frames"
        return Finding(fault=f"{_said(foreign, company)}, {words}")
    alone = company.frames == 1
    where = "the only frame of its night" if alone else "so in nearly every frame of this night"
    unknown = "no other night, dark or bias tells whether that is the camera or the cable"
    columns = columns_beside(_columns_alike(signs, company))
    return Finding(doubt=f"{_said(left, company)}{columns}: {where}, and {unknown}")


def _columns_alike(signs: Signs, company: Company) -> list[Band]:
    """Take a frame's columns that nearly all of its night show, without the camera's own."""

    def is_new(at: int) -> bool:
        return not any(abs(k.at - at) <= SAME_PX for k in company.own.columns)

    others = NEARLY_EVERY * (company.frames - 1)
    seen = [b for b in signs.columns if company.near_columns[column_edge(b)] - 1 >= others]
    return bands_of(b for b in seen if is_new(b.at))


def _said(signs: Signs, company: Company) -> str:
    """Say what stands out, without bands too weak to be held against a frame."""
    strong = _strong_bands(signs.rows, company)
    within = {row for b in strong for row in (b.first, b.last if b.last is None else b.last + 1)}
    rows = tuple(b for b in signs.rows if b.at in within)
    return signs_in_words(replace(signs, rows=rows), company.height)


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
    loses = _loses_rows(signs.blank, company)
    return bool(signs.repeated or signs.slips or loses or _strong_bands(signs.rows, company))


def _strong_bands(breaks: Sequence[Break], company: Company) -> list[Band]:
    """Take the bands that do harm; a narrow bright one that is alone may be a trail."""
    bands = standing_out(bands_of(breaks), company.height)
    strong = [band for band in bands if _is_strong(band, company)]
    return [] if len(strong) == 1 and _may_be_trail(strong[0]) else strong


def _may_be_trail(band: Band) -> bool:
    narrow = band.last is not None and band.last - band.first < TRAIL_ROWS
    return narrow and band.jump_sigma > 0


def _is_strong(band: Band, company: Company) -> bool:
    last = band.first if band.last is None else band.last
    if _in_margins(band.first, last, company):
        return False
    if band.last is None:
        return abs(band.jump_sigma) >= STEP_SIGMA
    rows = min(BAND_ROWS, band.last - band.first + 1)
    return abs(band.jump_sigma) * sqrt(rows / BAND_ROWS) >= BAND_SIGMA


def _in_margins(first: int, last: int, company: Company) -> bool:
    margins = company.margins
    return last < margins.top or first >= company.height - margins.bottom


def _loses_rows(blank: Sequence[Stretch], company: Company) -> bool:
    """Tell rows that were never read from the blank border that registering leaves."""
    top, bottom = _border(blank, company.height)
    inside = [s for s in blank if s.first >= top and s.last < company.height - bottom]
    lost = any(not _in_margins(s.first, s.last, company) for s in inside)
    return lost or max(top, bottom) > company.margins.blank
