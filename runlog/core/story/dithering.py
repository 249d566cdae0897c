"""How a run was dithered: which steps of the field are moves, how long, and how often.

Many rigs dither each third or fourth frame, so the step between most frames is nothing but guiding
noise; what counts is whether the field is moved at all.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from math import ceil, hypot
from statistics import median

from runlog.core.quantiles import quantile
from runlog.core.story.model import Lights
from runlog.core.story.places import Step, steps_by_stay

# Guiding keeps within a pixel: what is below is no dither, and two frames are a step apart of
# up to one and a half of their noise. Hot pixels need a pixel and their neighbours to fall
# elsewhere (common practice, no source).
MOVE_LEAST_PX = 1.5
QUIET_PX = 1.0  # a good quarter of the steps below it says what guiding noise is
MOVE_TIMES_QUIET = 5.0  # Rayleigh: one of a thousand steps of noise is so many times their quartile
MOVES_LEAST = 3  # a jump there and back are two
MOVES_SHARE = 0.04  # of the steps: hardly anyone dithers more seldom than each 20th frame
ENOUGH_STEPS = 8
CERTAIN_ERRORS = 3.0  # standard errors that make a steady creep
STEADY_SHARE = 0.6  # of the intervals between moves, for one to be the rule


@dataclass(frozen=True, slots=True)
class Dithering:
    """The steps of a run's field, and those of them that are moves."""

    steps: int
    moves_px: tuple[float, ...]
    usual_step_px: float  # of all steps
    every: int | None = None  # frames from move to move, where frames of one kind adjoin
    regular: bool = False  # whether most moves come after as many frames

    @property
    def moved(self) -> bool:
        """Tell whether the field was moved often enough to call it dithered."""
        least = max(MOVES_LEAST, ceil(MOVES_SHARE * self.steps))
        return len(self.moves_px) >= least or self.usual_step_px >= MOVE_LEAST_PX

    @property
    def usual_px(self) -> float:
        """Usual length of a move; of a step where nothing is moved."""
        return median(self.moves_px) if self.moved and self.moves_px else self.usual_step_px

    @property
    def seldom(self) -> bool:
        """Tell whether moves stand out: most frames do not come after one."""
        return self.moved and len(self.moves_px) <= self.steps / 2

    def is_move(self, size_px: float) -> bool:
        """Tell whether a step is as long as this run's moves are."""
        return bool(self.moves_px) and size_px >= min(self.moves_px)


def dithering(lights: Lights) -> Dithering | None:
    """Find how a run was dithered; None where too few frames were laid on one another."""
    stays = [_without_creep(own) for own in steps_by_stay(lights)]
    sizes = [step.size_px for own in stays for step in own]
    if len(sizes) < 2:
        return None
    least_px = _least_move_px(sizes)
    every, regular = _rhythm(list(_intervals(stays, least_px)))
    moves = tuple(s for s in sizes if s >= least_px)
    return Dithering(len(sizes), moves, median(sizes), every, regular)


def _least_move_px(sizes: Sequence[float]) -> float:
    """Give how long a step has to be to be none of guiding noise."""
    quiet_px = quantile(sizes, 0.25)
    noise_px = MOVE_TIMES_QUIET * quiet_px if quiet_px < QUIET_PX else 0.0
    return max(MOVE_LEAST_PX, noise_px)


def _without_creep(own: Sequence[Step]) -> list[Step]:
    """Take the steady creep of a field out of its steps, where most of them show it."""
    timed = [s for s in own if s.hours > 0]
    if len(timed) < ENOUGH_STEPS:
        return list(own)
    x, y = (_creep([d / s.hours for d, s in zip(ds, timed, strict=True)])
            for ds in ([s.dx_px for s in timed], [s.dy_px for s in timed]))  # fmt: skip
    return [replace(s, dx_px=s.dx_px - x * s.hours, dy_px=s.dy_px - y * s.hours) for s in own]


def _creep(speeds: Sequence[float]) -> float:
    """Give the usual speed in px an hour, 0 where it may as well be none."""
    middle = median(speeds)
    spread = 1.4826 * median(abs(s - middle) for s in speeds)
    # 1.25: the error of a median against that of a mean.
    return middle if abs(middle) > CERTAIN_ERRORS * 1.25 * spread / len(speeds) ** 0.5 else 0.0


def _intervals(stays: Sequence[Sequence[Step]], least_px: float) -> Iterator[int]:
    """Count the frames from move to move, among frames that adjoin."""
    for own in stays:
        for adjoining, members in groupby(own, key=lambda s: s.adjoining):
            row = list(members)
            moves = [n for n, step in enumerate(row) if step.size_px >= least_px]
            yield from (b - a for a, b in pairwise(moves) if adjoining)


def _rhythm(intervals: Sequence[int]) -> tuple[int | None, bool]:
    if not intervals:
        return None, False
    usual = round(median(intervals))
    return usual, sum(n == usual for n in intervals) >= STEADY_SHARE * len(intervals)


def distance_px(a: Step, b: Step, *, against: bool = False) -> float:
    """Give how far two steps are from being alike; `against`: from undoing one another."""
    sign = -1 if against else 1
    return hypot(a.dx_px - sign * b.dx_px, a.dy_px - sign * b.dy_px)
