"""What stands out about rows, in words and numbers."""

from collections.abc import Iterator, Sequence

from runlog.core.sensor.signs import Band, Signs, Stretch, bands_of, standing_out

NARROW_ROWS = 16  # so many rows between two jumps are a defect that can be counted in rows
MOST_NAMED = 4  # places; of more the number is told
CAMERA_OR_CABLE = "camera or cable"


def signs_in_words(signs: Signs, height: int) -> str:
    """Say what stands out about a frame's rows."""
    return "; ".join(_parts(signs, height)) or "nothing stands out"


def _parts(signs: Signs, height: int) -> Iterator[str]:
    if signs.repeated:
        yield _repeated(signs.repeated)
    if signs.blank:
        yield _blank(signs.blank, height)
    for slip in signs.slips[:1]:
        more = f" ({len(signs.slips)} such rows)" if len(signs.slips) > 1 else ""
        yield f"from row {slip.at} on the picture is displaced by {abs(slip.shift_px)} px{more}"
    if signs.rows:
        yield _bands(standing_out(bands_of(signs.rows), height))


def rows_named(first: int, last: int, noun: str = "row") -> str:
    """Name rows: row 7, rows 7 to 12."""
    return f"{noun} {first}" if first == last else f"{noun}s {first} to {last}"


def bands_named(bands: Sequence[Band], noun: str) -> str:
    """Name what stands apart by its places: rows 7 to 12 and row 40."""
    named = [
        f"the level from {noun} {b.first} on" if b.last is None
        else rows_named(b.first, b.last, noun)
        for b in sorted(bands, key=lambda b: b.first)
    ]  # fmt: skip
    more = len(named) - MOST_NAMED
    shown = named[:MOST_NAMED] + ([f"{more} more"] if more > 0 else [])
    return " and ".join(filter(None, [", ".join(shown[:-1]), *shown[-1:]]))


def columns_beside(bands: Sequence[Band]) -> str:
    """Name columns that stand apart, behind what was said of the rows."""
    if not bands:
        return ""
    one = len(bands) == 1 and bands[0].first == bands[0].last
    return f"; {bands_named(bands, 'column')} {'stands' if one else 'stand'} apart as well"


def _repeated(stretches: Sequence[Stretch]) -> str:
    count = sum(s.last - s.first + 1 for s in stretches)
    first, last = stretches[0].first, stretches[-1].last
    where = rows_named(first, last)
    if count == 1:
        return f"row {first} repeats row {stretches[0].copied_from}"
    return f"{count} rows repeat other rows ({where})"


def _blank(stretches: Sequence[Stretch], height: int) -> str:
    count = sum(s.last - s.first + 1 for s in stretches)
    where = rows_named(stretches[0].first, stretches[-1].last)
    if count == 1:
        return f"{where} holds no picture"
    share = count / height
    much = f"{share:.0%} of the rows" if share >= 0.01 else f"{count} rows"
    return f"{much} hold no picture ({where})"


def _bands(bands: Sequence[Band]) -> str:
    strongest = max(bands, key=lambda b: (abs(b.jump_sigma), -b.first))
    level = _level(abs(strongest.jump_adu))
    noise = f"{abs(strongest.jump_sigma):.1f} times the noise"
    if strongest.last is None:
        more = "higher" if strongest.jump_adu > 0 else "lower"
        said = f"from row {strongest.first} on the level is {level} {more}, {noise}"
    else:
        where = rows_named(strongest.first, strongest.last)
        beside = "above" if strongest.jump_adu > 0 else "below"
        one = strongest.first == strongest.last
        stands = f"stands {level} {beside} its" if one else f"stand {level} {beside} their"
        said = f"{where} {stands} neighbours, {noise}"
    others = [b.first for b in bands if b is not strongest]
    if len(others) == 1:
        return f"{said}; one more jump of level at row {others[0]}"
    return f"{said}; {len(others)} more jumps of level" if others else said


def _level(jump_adu: float) -> str:
    """Write a level, whole from 1,000 on: whatever its size some digits tell."""
    return f"{jump_adu:.0f} ADU" if 1000 <= jump_adu < 1e7 else f"{jump_adu:.3g} ADU"


def own_in_words(counted: str, first_seen: str) -> str:
    """Say what is the camera's own: in full on the night that is the first to show it."""
    if not first_seen:
        return f"the camera's own: {counted}"
    return f"the camera's own, held against no frame: {counted} ({first_seen})"


def defects_in_words(rows: Sequence[Band], columns: Sequence[Band], height: int, width: int) -> str:
    """Say which rows and columns always stand apart, and how many."""
    parts = [*_defects(rows, "row", height), *_defects(columns, "column", width)]
    return ", ".join(parts)


def _defects(bands: Sequence[Band], noun: str, length: int) -> Iterator[str]:
    """Count the lines between jumps, what is beyond the last jump near an edge, and seams."""
    narrow = [b for b in bands if b.last is not None and b.last - b.first < NARROW_ROWS]
    count = sum(b.last - b.first + 1 for b in narrow if b.last is not None)
    seams: list[int] = []
    for b in bands:
        if b in narrow:
            continue
        for at in (b.first,) if b.last is None else (b.first, b.last + 1):
            beyond = min(at, length - at)
            if beyond <= NARROW_ROWS:
                count += beyond
            else:
                seams.append(at)
    if count:
        yield f"{count} {noun}{'s' * (count != 1)}"
    if seams:
        named = " and ".join(str(at) for at in seams[:3])
        yield f"{'seams' if len(seams) > 1 else 'a seam'} at {noun} {named}"
