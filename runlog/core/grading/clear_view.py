"""What stands before the telescope: which frames it covers, by their own run's stars alone.

Which part of the night is the tree is told by stars, not by which is the longer: something in front
only ever takes stars away, so each ninth of the frame is compared with the frames that show most
stars in it. What the field itself holds few of it holds few of in every frame.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, comb, cos, hypot, radians
from statistics import median

from runlog.core.frame import Frame
from runlog.core.grading.baseline import ENOUGH, by_group, count_group, high

# The four sides of the frame, each beside its opposite.
FIRST, LAST = "the third with the first rows", "the third with the last rows"
LEFT, RIGHT = "the left third", "the right third"
SIDES = (FIRST, LAST, LEFT, RIGHT)
ACROSS = {FIRST: LAST, LAST: FIRST, LEFT: RIGHT, RIGHT: LEFT}
NINTHS = 9
FULLEST_SHARE = 0.1  # of the frames: those with most stars in a ninth say how many it may have
STARS_TO_COMPARE = 45  # in a frame that says how stars are spread: five in each ninth
CLEAR_LEFT = 0.75  # of a side's stars, against the opposite's: in front of such a frame is nothing
STARS_TO_JUDGE_SIDES = 40  # with fewer a side must be emptier than chance leaves it
LEAST_SHARE = 1e-6
STARS_OF_SIDE = 10.0  # expected of a side; with fewer chance is asked too
CHANCE = 1e-4  # of four sides in some hundred frames a night next to none is taken for covered
HARDLY_LEFT = 0.35  # of a side's stars: what leaves so few may soon cover all of the frame
NONE_LEFT = 0.1  # of the usual stars, in a frame that is covered altogether
EMPTY_LEFT = 0.35  # of the opposite side's stars: fields are seldom so uneven
STARS_OF_NIGHT = 400  # in all frames together, to speak of a side that is always empty
SAME_PLACE = 0.1  # of the frame's side: as far as a frame may be off target
NEXT_TO = 2  # frames between one covered on a side and one covered altogether

Shares = tuple[float, ...]  # of the stars, by ninth; empty where not known
SharesByGroup = Mapping[tuple[object, ...], Shares]


@dataclass(frozen=True, slots=True)
class View:
    """The side of a frame that lost most of its stars against the side opposite."""

    left: float  # share of the stars left there
    side: str  # in the sense of `zones`
    sure: bool  # chance does not leave so few


def zones(frame: Frame) -> tuple[int, ...]:
    """Stars in each ninth of the frame, turned back by half a turn where it is turned."""
    return frame.measurement.zone_stars[::-1] if turned(frame) else frame.measurement.zone_stars


def turned(frame: Frame) -> bool:
    """Tell whether a frame's ninths are turned by half a turn to be compared.

    That is so west of the pier; where the side is not written, the stars tell by how much the
    field is turned against the reference.
    """
    if frame.header.pier_side is not None or frame.placement.rotation_deg is None:
        return frame.header.pier_side == "west"
    return abs((frame.placement.rotation_deg + 180) % 360 - 180) > 90


def view_of(frame: Frame, usual: Shares) -> View | None:
    """Find the side of a frame that lost most stars; None where that cannot be told."""
    counts = zones(frame)
    if len(counts) != NINTHS or not usual:
        return None
    stars, shares = _thirds(counts), _thirds(usual)
    left, n = _emptiest(stars, shares)
    own, other = shares[n], shares[n ^ 1]
    many = sum(counts) >= STARS_TO_JUDGE_SIDES
    many = many and min(own, other) * sum(counts) >= STARS_OF_SIDE
    sure = many or _chance(stars[n], stars[n ^ 1], own / max(own + other, LEAST_SHARE)) <= CHANCE
    return View(left, SIDES[n], sure)


def usual_shares(frames: Sequence[Frame]) -> Shares:
    """Find which share of the stars each ninth has, by frames of a field with nothing in front.

    Frames count that have stars enough and were found to show the field.
    """
    counts = [f for f in frames if f.placement.matched is not False and _tells(zones(f))]
    if len(counts) < ENOUGH:
        return ()
    shares = _fullest([zones(f) for f in counts])
    for _ in range(2):  # by the fullest ninths, then by the frames that these show to be clear
        shares = _middle_shares([zones(f) for f in _clearest(counts, shares)])
    return shares


def covered(frames: Sequence[Frame]) -> frozenset[str]:
    """List the frames of a run, by key, that something stands in front of.

    The other frames show the sky as it was; where a frame has too few stars to tell, it is not
    listed unless it lies right beside one that is.
    """
    lost = lost_sides(frames, shares_by_group(frames))
    return frozenset(lost) | swallowed(frames, lost)


def lost_sides(frames: Sequence[Frame], shares: SharesByGroup) -> dict[str, View]:
    """Find the frames of a run, by key, that lost stars on a side, however few.

    `shares` are those of the run's own groups.
    """
    views = ((f.key, view_of(f, shares[count_group(f)])) for f in frames)
    return {key: v for key, v in views if v is not None and v.sure and v.left < CLEAR_LEFT}


def shares_by_group(frames: Sequence[Frame]) -> dict[tuple[object, ...], Shares]:
    """Find how stars are usually spread over the frame, for each group of frames that compare.

    Of a filter that was used behind the tree alone no frame is clear. Where its spread is far from
    that of the same place through all filters, it is compared with theirs.
    """
    own = by_group(frames, count_group, usual_shares)
    for place in by_group(frames, _place, tuple).values():
        groups = by_group(place, count_group, tuple)
        if len(groups) < 2 or not _all_alike(place):
            continue
        together = usual_shares(place)
        for group in groups:
            if own[group] and _is_far_from(own[group], together):
                own[group] = together
    return own


def _place(frame: Frame) -> tuple[object, ...]:
    size = frame.identity.width, frame.identity.height
    return (frame.context.target, frame.header.binning_x, frame.header.binning_y, *size)


def _all_alike(frames: Sequence[Frame]) -> bool:
    """Tell whether headers say that frames show the same place, and how it lies in them."""
    first = frames[0].header
    side_px = min(frames[0].identity.width, frames[0].identity.height)
    if first.ra_deg is None or first.dec_deg is None or not first.arcsec_per_px:
        return False
    apart_deg = SAME_PLACE * side_px * first.arcsec_per_px / 3600
    shrink = cos(radians(first.dec_deg))
    for header in (f.header for f in frames):
        if header.ra_deg is None or header.dec_deg is None or header.pier_side is None:
            return False
        ra_deg = ((header.ra_deg - first.ra_deg + 180) % 360 - 180) * shrink
        if hypot(ra_deg, header.dec_deg - first.dec_deg) > apart_deg:
            return False
    return True


def _is_far_from(own: Shares, together: Shares) -> bool:
    return bool(together) and _emptiest(_thirds(own), _thirds(together))[0] < HARDLY_LEFT


def swallowed(frames: Sequence[Frame], lost: Mapping[str, View]) -> frozenset[str]:
    """List frames, by key, whose stars are gone right beside a frame that is covered in part."""
    anchors = {key for key, view in lost.items() if view.left < HARDLY_LEFT}
    if not anchors:
        return frozenset()
    usual = by_group(
        frames, count_group, lambda own: high(f.measurement.stars for f in clear_of(own, lost))
    )
    found: set[str] = set()
    dated = [f for f in frames if f.header.taken_at_utc is not None]
    line = sorted(dated, key=lambda f: (f.header.taken_at_utc, f.key))
    for order in (line, line[::-1]):
        last, gap = None, 0
        for frame in order:
            if frame.key in anchors:
                last, gap = frame, 0
            elif last is not None and _is_gone(frame, last, usual[count_group(frame)]):
                found.add(frame.key)
            else:
                gap += 1
                last = None if gap >= NEXT_TO else last
    return frozenset(found - set(lost))


def standing(frames: Sequence[Frame], lost: Mapping[str, View]) -> frozenset[str]:
    """List covered frames, by key, beside a frame of the target covered on the same side.

    What stands in front stays for more than a frame; a read-out fault that takes as many stars
    comes alone. So a frame tells of its neighbour only where it was read out well itself.
    """
    dated = [f for f in frames if f.header.taken_at_utc is not None]
    line = sorted(dated, key=lambda f: (f.header.taken_at_utc, f.key))
    pairs = [*pairwise(line), *pairwise(line[::-1])]
    return frozenset(f.key for f, beside in pairs if _stands_before_both(f, beside, lost))


def _stands_before_both(frame: Frame, beside: Frame, lost: Mapping[str, View]) -> bool:
    own, other = lost.get(frame.key), lost.get(beside.key)
    if own is None or other is None or beside.placement.readout is not None:
        return False
    return own.side == other.side and frame.context.target == beside.context.target


def empty_side(frames: Sequence[Frame]) -> View | None:
    """Find the side of the frame, as its pixels lie, that is nearly empty in all frames together.

    The field itself, a roof that is always in the way and the optics all do that.
    """
    counts = [f.measurement.zone_stars for f in frames if len(f.measurement.zone_stars) == NINTHS]
    total = [sum(ninth) for ninth in zip(*counts, strict=True)]
    if sum(total) < STARS_OF_NIGHT:
        return None
    left, n = _emptiest(_thirds(total), (1.0,) * len(SIDES))
    return View(left, SIDES[n], sure=True) if left < EMPTY_LEFT else None


def clear_of(frames: Sequence[Frame], hidden: Collection[str]) -> Sequence[Frame]:
    """Leave out the frames hidden by something; all of them where too few would be left."""
    clear = [f for f in frames if f.key not in hidden]
    return clear if len(clear) >= ENOUGH else frames


def _is_gone(frame: Frame, beside: Frame, usual: float | None) -> bool:
    stars = frame.measurement.stars
    alike = frame.context.target == beside.context.target
    return alike and stars is not None and usual is not None and stars < NONE_LEFT * usual


def _tells(counts: Sequence[int]) -> bool:
    return len(counts) == NINTHS and sum(counts) >= STARS_TO_COMPARE


def _fullest(counts: Sequence[Sequence[int]]) -> Shares:
    """Share of each ninth by the frames that have most stars in it, never by one or two alone."""
    rank = max(ENOUGH, ceil(FULLEST_SHARE * len(counts)))
    most = [sorted(ninth, reverse=True)[rank - 1] for ninth in zip(*counts, strict=True)]
    return tuple(n / max(sum(most), 1) for n in most)


def _middle_shares(counts: Iterable[Sequence[int]]) -> Shares:
    shares = ([n / sum(ninths) for n in ninths] for ninths in counts)
    return tuple(median(ninth) for ninth in zip(*shares, strict=True))


def _clearest(frames: Sequence[Frame], shares: Shares) -> Sequence[Frame]:
    """Keep the frames with nothing in front; the fullest few where all have something."""
    views = {f.key: view_of(f, shares) for f in frames}
    left = {key: 1.0 if view is None or not view.sure else view.left for key, view in views.items()}
    clear = [f for f in frames if left[f.key] >= CLEAR_LEFT]
    if len(clear) >= ENOUGH:
        return clear
    return sorted(frames, key=lambda f: (-left[f.key], f.key))[:ENOUGH]


def _thirds(ninths: Sequence[float]) -> tuple[float, float, float, float]:
    """Sum the ninths of the four sides, in the order of `SIDES`: each side's opposite is n ^ 1."""
    a, b, c, d, _, f, g, h, i = ninths
    return a + b + c, g + h + i, a + d + g, c + f + i


def _emptiest(stars: Sequence[float], usual: Sequence[float]) -> tuple[float, int]:
    """Find the side with the smallest share of its usual stars left, against the side opposite."""
    filled = [n / max(share, LEAST_SHARE) for n, share in zip(stars, usual, strict=True)]
    return min((filled[n] / filled[n ^ 1] if filled[n ^ 1] > 0 else 1.0, n) for n in range(4))


def _chance(here: float, there: float, p: float) -> float:
    """Reckon how often chance leaves a side so few of its and its opposite's stars (binomial)."""
    n = round(here + there)
    return sum(comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(round(here) + 1))
