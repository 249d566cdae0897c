"""Where the frames point: dithers, jumps, drift, and what a verdict on pointing rests on."""

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from math import hypot
from statistics import median

import numpy as np

from runlog.core.columns import plural
from runlog.core.frame import FaultName
from runlog.core.grading.faults.off_target import STARS_OF_A_FIELD
from runlog.core.story.model import Event, Lights, Told, event

JUMP_SHARE = 0.03  # of the field's width, and ...
JUMP_TIMES_USUAL = 6.0  # ... far beyond the usual step of a dither
AT_ONCE_BACK = 0.3  # of a step's length: what is left when the next one undoes it
ALIKE = 0.5  # of a jump's length: two dithers come on top of it
DRIFT_SHARE_PER_HOUR = 0.01  # of the field's width
DRIFT_FRAMES = 8
DITHER_LEAST_PX = 0.7  # hot pixels and their neighbours fall elsewhere
DITHER_FRAMES = 8


ELSEWHERE_CHECK = (
    "whether these places were meant: one of its own should have a name of its own, and a rig "
    "that went astray shows in the headers' coordinates"
)


@dataclass(frozen=True, slots=True)
class Step:
    """How far the field moved from one frame to the next of the same target and side."""

    before: Told
    after: Told
    dx_px: float
    dy_px: float

    @property
    def size_px(self) -> float:
        """Length of the step."""
        return float(np.hypot(self.dx_px, self.dy_px))


def placed(lights: Lights) -> list[Told]:
    """Keep the frames whose place on their reference is known."""
    return [t for t in lights if t.frame.placement.shift_x_px is not None]


def laid_on_another(lights: Lights) -> list[Told]:
    """Keep the placed frames that another frame shows the place of: each lies on itself."""
    where = placed(lights)
    on = Counter(t.frame.placement.matched_to for t in where)
    return [t for t in where if t.frame.placement.matched_to != t.frame.key or on[t.frame.key] > 1]


def is_elsewhere(light: Told) -> bool:
    """Tell whether a frame shows another field than the one most taken under its name."""
    frame = light.frame
    return (
        frame.placement.matched is True
        and frame.placement.matched_to != frame.placement.best_of_name
    )


def elsewhere_words(lights: Lights) -> list[str]:
    """Say which frames show other fields than the one most taken, and which match none."""
    words = []
    for target in sorted({t.frame.context.target for t in lights}):
        own = [
            t
            for t in lights
            if t.frame.context.target == target and not t.has(FaultName.OFF_TARGET)
        ]
        apart = [t for t in own if is_elsewhere(t)]
        of_name = f" of {target}" if target else ""
        if apart:
            alone = all(t.frame.placement.field_runs == 1 for t in apart)
            which = ", which no other night shows" if alone else ""
            words.append(
                f"{plural(len(apart), 'frame')}{of_name} show{'s' * (len(apart) == 1)} another "
                f"field than the one most taken under that name{which}"
            )
        stray = [t for t in own if t.frame.placement.matched is False]
        stray = [t for t in stray if (t.frame.measurement.stars or 0) >= STARS_OF_A_FIELD]
        if stray:
            words.append(
                f"the stars of {plural(len(stray), 'frame')}{of_name} match none of its other "
                "frames"
            )
    return words


def stays(lights: Lights) -> Iterator[list[Told]]:
    """Split placed frames where the target or the pier side changes.

    Filters of one target have references of their own whose fields lie a dither apart, so a
    stay holds one filter; and one field, as places on two references do not compare.
    """
    groups: dict[tuple[object, ...], list[Told]] = {}
    for t in placed(lights):
        flipped = abs(t.frame.placement.rotation_deg or 0.0) > 90
        key = (
            t.frame.context.target,
            t.frame.context.filter,
            t.frame.placement.matched_to,
            flipped,
        )
        groups.setdefault(key, []).append(t)
    yield from groups.values()


def steps(lights: Lights) -> list[Step]:
    """Measure the steps between neighbours of each stay."""
    found = []
    for stay in stays(lights):
        for a, b in pairwise(stay):
            dx = (b.frame.placement.shift_x_px or 0.0) - (a.frame.placement.shift_x_px or 0.0)
            dy = (b.frame.placement.shift_y_px or 0.0) - (a.frame.placement.shift_y_px or 0.0)
            found.append(Step(a, b, dx, dy))
    return found


def find_jumps(lights: Lights) -> Iterator[Event]:
    """Find where the field moved at once and stayed away: a snagged cable, a slipped clutch."""
    jumps = sorted(
        (step for stay in stays(lights) for step in _jumps_of(stay)),
        key=lambda s: (s.after.start, s.after.frame.key),
    )
    told: list[Step] = []
    for step in jumps:
        if any(_same_jump(step, other) for other in told):
            continue
        width = max(step.after.frame.identity.width, 1)
        size = f"{step.size_px:.0f} px ({step.size_px / width:.0%} of its width)"
        back = any(_undoes(step, other) for other in told)
        text = f"the field went back by {size}" if back else f"the field jumped by {size}"
        yield event("jump", [step.after], text if back else f"{text} and stayed there")
        told.append(step)


def _jumps_of(stay: Lights) -> Iterator[Step]:
    own = steps(stay)
    if len(own) < 2:
        return
    usual = median(s.size_px for s in own)
    for i, step in enumerate(own):
        width = max(step.after.frame.identity.width, 1)
        far = step.size_px >= max(JUMP_SHARE * width, JUMP_TIMES_USUAL * usual)
        if far and not _came_back(own, i):
            yield step


def _same_jump(step: Step, other: Step) -> bool:
    """Tell whether another filter's frames show the same jump: filters taken in turn do."""
    apart = hypot(step.dx_px - other.dx_px, step.dy_px - other.dy_px)
    at_once = step.before.start < other.after.start and other.before.start < step.after.start
    return at_once and apart < ALIKE * step.size_px


def _undoes(step: Step, other: Step, share: float = ALIKE) -> bool:
    return hypot(step.dx_px + other.dx_px, step.dy_px + other.dy_px) < share * step.size_px


def _came_back(own: list[Step], i: int) -> bool:
    """Tell whether the next step, or the one before, undoes this one."""
    beside = own[i + 1 : i + 2] + own[max(i - 1, 0) : i]
    return any(_undoes(own[i], other, AT_ONCE_BACK) for other in beside)


def find_drift(lights: Lights) -> Iterator[Event]:
    """Find a steady drift: guiding that follows flexure, or polar alignment without guiding."""
    for stay in stays(lights):
        if len(stay) < DRIFT_FRAMES:
            continue
        speed, error = _speed(stay)
        width = max(stay[0].frame.identity.width, 1)
        if speed < DRIFT_SHARE_PER_HOUR * width or speed < 5 * error:
            continue
        if any(True for _ in find_jumps(stay)):
            continue
        text = f"the field drifted steadily, {speed:.0f} px an hour"
        yield event("drift", stay, text, costs=False)  # no frame is lost by it: see off_target


def _speed(stay: Lights) -> tuple[float, float]:
    """Speed in px an hour and its standard error, by straight lines through x and y."""
    hours = np.array([(t.start - stay[0].start).total_seconds() / 3600 for t in stay])
    centred = hours - hours.mean()
    power = float(np.sum(centred**2))
    if power == 0:
        return 0.0, float("inf")
    speeds, errors = [], []
    for shifts in (
        [t.frame.placement.shift_x_px for t in stay],
        [t.frame.placement.shift_y_px for t in stay],
    ):
        values = np.array(shifts, dtype=float)
        slope = float(np.sum(centred * values) / power)
        rest = values - values.mean() - slope * centred
        speeds.append(slope)
        errors.append(float(np.sqrt(np.sum(rest**2) / max(len(stay) - 2, 1) / power)))
    return hypot(*speeds), hypot(*errors)


def find_no_dither(lights: Lights) -> Iterator[Event]:
    """Report a run whose frames all lie on the same pixels."""
    own = steps(lights)
    if len(own) < DITHER_FRAMES:
        return
    usual = median(s.size_px for s in own)
    if usual < DITHER_LEAST_PX:
        text = (
            f"no dithering: from frame to frame the field moved {usual:.1f} px; hot pixels and "
            "pattern noise will not average out"
        )
        yield event("no-dither", placed(lights), text, costs=False)
