"""What of a frame's rows is the camera's own: the same place in its other frames, nights, darks."""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from math import ceil
from statistics import median

from runlog.core.row_words import signs_in_words
from runlog.core.rows import Band, Break, Signs, Stretch, bands_of

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
    """A row or column at which the level jumps in the frames of a night, and by how much."""

    at: int
    jump_sigma: float


def as_break(line: Line) -> Break:
    """Give a line of a pattern the form of a jump in one frame; its size in ADU differs."""
    return Break(line.at, 0.0, line.jump_sigma)


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
NOTHING = Finding()


def pattern_of(night: str, source: str, frames: int, seen: Sequence[Looked]) -> Pattern:
    """Find what enough frames of a night show at the same place; `seen` has those with signs."""
    least = min(frames, max(2, ceil(PATTERN_SHARE * frames)))
    return Pattern(
        night,
        source,
        frames,
        _common([edges_of(frame.signs) for frame in seen], least),
        _common([{b.at: b.jump_sigma for b in frame.signs.columns} for frame in seen], least),
    )


def edges_of(signs: Signs) -> dict[int, float]:
    """Rows at which something changes, with the jump of the level where that is what changes."""
    return dict.fromkeys(signs.edges, 0.0) | {b.at: b.jump_sigma for b in signs.rows}


def _common(frames: Sequence[Mapping[int, float]], least: int) -> tuple[Line, ...]:
    counts = near_counts(frames)
    jumps: dict[int, list[float]] = {}
    for edges in frames:
        for at, jump in edges.items():
            if counts[at] >= least:
                jumps.setdefault(at, []).append(jump)
    # Of places within a pixel of each other and with the same sign the one seen most stands.
    most = sorted(jumps.items(), key=lambda item: (-len(item[1]), item[0]))
    return _apart(Line(at, round(median(values), 3)) for at, values in most)


def near_counts(frames: Iterable[Iterable[int]]) -> Counter[int]:
    """Count, for each row, the frames that show something there or a pixel away."""
    reach = range(-SAME_PX, 1 + SAME_PX)
    return Counter(row for edges in frames for row in {e + d for e in edges for d in reach})


def own_of(patterns: Iterable[Pattern], night: str | None = None) -> Pattern:
    """Gather what is the camera's own: in darks or bias, or on two nights.

    Seen from one night, whatever another one shows as well is on two.
    """
    every = list(patterns)
    return Pattern(
        "", "", sum(p.frames for p in every),
        _own([(p.night, p.source, p.rows) for p in every], night),
        _own([(p.night, p.source, p.columns) for p in every], night),
    )  # fmt: skip


def _own(
    patterns: Sequence[tuple[str, str, Sequence[Line]]], night: str | None
) -> tuple[Line, ...]:
    nights: dict[int, set[str]] = {}
    for of, source, lines in patterns:
        # Darks tell alone: they count as two nights.
        names = {"dark 1", "dark 2"} if source == DARK else {of}
        for line in lines:
            for row in range(line.at - SAME_PX, line.at + SAME_PX + 1):
                nights.setdefault(row, set()).update(names)
    known = [line for _, _, lines in patterns for line in lines]
    at_hand = set() if night is None else {night}
    chosen = {line for line in known if len(nights[line.at] | at_hand) >= 2}
    return _apart(sorted(chosen, key=lambda k: (-abs(k.jump_sigma), k.at)))


def _apart(lines: Iterable[Line]) -> tuple[Line, ...]:
    """Take lines in turn, without those within a pixel of one taken that jump the same way."""
    kept: list[Line] = []
    for line in lines:
        if not any(_same(line, k) for k in kept):
            kept.append(line)
    return tuple(sorted(kept, key=lambda k: k.at))


def _same(line: Line, other: Line) -> bool:
    return abs(line.at - other.at) <= SAME_PX and line.jump_sigma * other.jump_sigma >= 0


@dataclass(frozen=True, slots=True)
class Company:
    """What the frames of one night, camera and size are compared with."""

    height: int
    frames: int  # of this night that were looked at
    others_elsewhere: int  # frames of other nights
    own: Pattern  # the camera's own, seen from this night
    near: Counter[int]  # frames of this night with something at a row
    bordered: int  # frames of this night with a blank border


def company_of(
    height: int, frames: int, seen: Sequence[Looked], others_elsewhere: int, own: Pattern
) -> Company:
    """Sum up what the frames of a night are compared with."""
    near = near_counts(frame.signs.edges for frame in seen)
    bordered = sum(any(_at_border(s, height) for s in frame.signs.blank) for frame in seen)
    return Company(height, frames, others_elsewhere, own, near, bordered)


def findings(seen: Sequence[Looked], company: Company) -> dict[int, Finding]:
    """Judge each frame of a night by the camera's other frames."""
    found = {frame.key: _finding(frame.signs, company) for frame in seen}
    faulty = sum(f.fault is not None for f in found.values())
    if faulty <= 1 or faulty < NEARLY_EVERY * company.frames:
        return found
    more = "; nearly every frame of this night has such, each in other rows: camera or cable"
    return {key: Finding(f"{f.fault}{more}", f.doubt) if f.fault else f for key, f in found.items()}


def suspicion(signs: Signs, height: int) -> str | None:
    """Say what stands out in a frame of which no other is known; None where nothing does."""
    return _finding(signs, Company(height, 1, 0, own_of(()), Counter(), 0)).doubt


def _finding(signs: Signs, company: Company) -> Finding:
    left = _without(signs, lambda row: _is_near(row, company.own), company.height)
    if not _matters(left, company):
        return NOTHING
    if company.frames + company.others_elsewhere <= 1:
        words = "no other frame of this camera tells whether that is its own way"
        return Finding(doubt=f"{signs_in_words(left, company.height)}: {words}")
    foreign = _without(left, lambda row: _all_night(row, company), company.height)
    if _matters(foreign, company):
        words = "not so in the camera's other frames"
        return Finding(fault=f"{signs_in_words(foreign, company.height)}, {words}")
    alone = company.frames == 1
    where = "the only frame of its night" if alone else "so in nearly every frame of this night"
    unknown = "no other night, dark or bias tells whether that is the camera or the cable"
    return Finding(doubt=f"{signs_in_words(left, company.height)}: {where}, and {unknown}")


def _is_near(row: int, own: Pattern) -> bool:
    return any(abs(line.at - row) <= SAME_PX for line in own.rows)


def _all_night(row: int, company: Company) -> bool:
    """Tell whether nearly every other frame of the night shows the same."""
    others = company.frames - 1
    return company.near[row] - 1 >= NEARLY_EVERY * others


def _without(signs: Signs, known: Callable[[int], bool], height: int) -> Signs:
    """Leave out what is known; a stretch is, when the rows where it begins and ends are."""

    def new(stretch: Stretch) -> bool:
        inner = {stretch.first, stretch.last + 1} - {0, height}
        return not all(known(row) for row in inner)

    return Signs(
        rows=tuple(b for b in signs.rows if not known(b.at)),
        blank=tuple(filter(new, signs.blank)),
        repeated=tuple(filter(new, signs.repeated)),
        slips=tuple(s for s in signs.slips if not known(s.at)),
    )


def _matters(signs: Signs, company: Company) -> bool:
    """Tell whether what is left would be a fault, were it not the camera's own."""
    if signs.repeated or signs.slips:
        return True
    if any(_is_loss(stretch, company) for stretch in signs.blank):
        return True
    return any(map(partial(_is_strong, height=company.height), _strong_bands(signs.rows)))


def _strong_bands(breaks: Sequence[Break]) -> list[Band]:
    """Take the bands, without a narrow bright one that is alone: it may be a trail."""
    bands = bands_of(breaks)
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
