"""Where the frames point: dithers, jumps, drift, and what a verdict on pointing rests on."""

from collections.abc import Iterator, Sequence
from math import hypot, inf, sqrt
from statistics import fmean, linear_regression, median

from runlog.core.frame import FaultName
from runlog.core.grading.faults.off_target import STARS_OF_A_FIELD
from runlog.core.story.dithering import ENOUGH_STEPS, Dithering, distance_px, dithering
from runlog.core.story.model import (
    Event,
    GradedLight,
    Lights,
    Opinion,
    PartVerdict,
    event,
    lost_by,
    unknown,
)
from runlog.core.story.phrases import events as tell
from runlog.core.story.phrases import mount as say
from runlog.core.story.phrases.common import together
from runlog.core.story.places import Step, laid_on_another, placed, stays, steps_by_stay

JUMP_SHARE = 0.03  # of the field's width, and ...
JUMP_TIMES_USUAL = 6.0  # ... far beyond the usual step of a dither
AT_ONCE_BACK = 0.3  # of a step's length: what is left when the next one undoes it
ALIKE = 0.5  # of a jump's length: two dithers come on top of it
DRIFT_SHARE_PER_HOUR = 0.01  # of the field's width
DRIFT_FRAMES = 8


def is_elsewhere(light: GradedLight) -> bool:
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
        if apart:
            alone = all(t.frame.placement.field_runs == 1 for t in apart)
            words.append(say.another_field(len(apart), target, alone))
        stray = [t for t in own if t.frame.placement.matched is False]
        stray = [t for t in stray if (t.frame.measurement.stars or 0) >= STARS_OF_A_FIELD]
        if stray:
            words.append(say.matches_none(len(stray), target))
    return words


def find_jumps(lights: Lights) -> Iterator[Event]:
    """Find where the field moved at once and stayed away: a snagged cable, a slipped clutch."""
    dithers = dithering(lights)
    jumps = sorted(
        (step for own in steps_by_stay(lights) for step in _jumps_of(own, dithers)),
        key=lambda s: (s.after.start, s.after.frame.key),
    )
    told: list[Step] = []
    for step in jumps:
        if any(_same_jump(step, other) for other in told):
            continue
        width = max(step.after.frame.identity.width, 1)
        back = any(_undoes(step, other) for other in told)
        yield event("jump", [step.after], tell.jump(step.size_px, width, back))
        told.append(step)


def _jumps_of(own: Sequence[Step], dithers: Dithering | None) -> Iterator[Step]:
    if len(own) < 2 or dithers is None:
        return
    # Where the field creeps, the usual step is longer than what is moved.
    usual_px = max(dithers.usual_px, median(s.size_px for s in own))
    for i, step in enumerate(own):
        width = max(step.after.frame.identity.width, 1)
        far = step.size_px >= max(JUMP_SHARE * width, JUMP_TIMES_USUAL * usual_px)
        if far and not _came_back(own, i):
            yield step


def _same_jump(step: Step, other: Step) -> bool:
    """Tell whether another filter's frames show the same jump: filters taken in turn do."""
    at_once = step.before.start < other.after.start and other.before.start < step.after.start
    return at_once and distance_px(step, other) < ALIKE * step.size_px


def _undoes(step: Step, other: Step, share: float = ALIKE) -> bool:
    return distance_px(step, other, against=True) < share * step.size_px


def _came_back(own: Sequence[Step], i: int) -> bool:
    """Tell whether the next step, or the one before, undoes this one."""
    beside = [*own[i + 1 : i + 2], *own[max(i - 1, 0) : i]]
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
        # No frame is lost by it: see off_target.
        yield event("drift", stay, tell.drift(speed), costs=False)


def _speed(stay: Lights) -> tuple[float, float]:
    """Speed in px an hour and its standard error, by straight lines through x and y."""
    hours = [(t.start - stay[0].start).total_seconds() / 3600 for t in stay]
    power = sum((h - fmean(hours)) ** 2 for h in hours)
    if power == 0:
        return 0.0, inf
    speeds, errors = [], []
    for shifts in (
        [t.frame.placement.shift_x_px for t in stay],
        [t.frame.placement.shift_y_px for t in stay],
    ):
        values = [shift or 0.0 for shift in shifts]
        slope, start = linear_regression(hours, values)
        rest2 = sum((v - start - slope * h) ** 2 for h, v in zip(hours, values, strict=True))
        speeds.append(slope)
        errors.append(sqrt(rest2 / max(len(stay) - 2, 1) / power))
    return hypot(*speeds), hypot(*errors)


def find_no_dither(lights: Lights) -> Iterator[Event]:
    """Report a run whose frames all lie on the same pixels, or as good as all."""
    dithers = dithering(lights)
    if dithers is None or dithers.steps < ENOUGH_STEPS or dithers.moved:
        return
    if any(True for _ in find_drift(lights)):
        return  # hot pixels fall elsewhere in each frame, and the drift is told
    text = tell.no_dither(dithers.usual_step_px, len(dithers.moves_px), dithers.steps)
    yield event("no-dither", placed(lights), text)


def pointing_verdict(lights: Lights, events: Sequence[Event]) -> PartVerdict:
    """Judge where the frames point: jumps, drift, dithers, fields that were not meant."""
    where = laid_on_another(lights)
    apart = elsewhere_words(lights)
    if len(where) < 2:
        return unknown(together([say.TOO_FEW_PLACED, *apart]))
    kinds = [e.kind for e in events]
    words, checks = [], [check for kind, check in say.EVENT_CHECKS.items() if kind in kinds]
    if "jump" in kinds:
        words.append(say.jumps(kinds.count("jump")))
    off = [t for t in lights if t.has(FaultName.OFF_TARGET)]
    if off:
        words.append(say.off_target(len(off), lost_by(off, FaultName.OFF_TARGET)))
        checks.append(say.OFF_TARGET_CHECK)
    opinion = Opinion.POOR if words else Opinion.FAIR
    words += [said for kind, said in say.EVENT_WORDS.items() if kind in kinds]
    if apart:
        words += apart
        checks.append(say.ELSEWHERE_CHECK)
    if words:
        return PartVerdict(opinion, ", ".join(words), together(checks))
    return PartVerdict(Opinion.GOOD, say.on_target(len(where)) + _dithers(lights))


def _dithers(lights: Lights) -> str:
    """Say how far frames were moved, and how often, where they were."""
    found = dithering(lights)
    if found is None or not found.moved:
        return ""
    return say.dithered(found.usual_px, found.every, found.regular)
