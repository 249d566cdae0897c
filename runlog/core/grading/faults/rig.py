"""What else can be wrong with a frame: pointing, read-out, saturation, trails of satellites."""

from collections.abc import Iterator

from runlog.core.frame import FaultName, Frame, Grade
from runlog.core.grading.checks import Case, Check, above

STARS_OF_A_FIELD = 30
STARS_OF_ROWS = 15  # a third of the rows then holds the five that must agree
PLENTY_SHARE = 0.4  # of the usual number: fewer may be cloud
MEANT_SHARE = 0.25  # of a run's frames: so many do not go astray together


def off_target(case: Case) -> Iterator[Check]:
    """Pointing away from the run by more than a share of the field, or at another field."""
    if case.frame.placement.matched is False:
        yield from _no_field(case)
        return
    if case.frame.placement.matched and case.frame.placement.matched_to != case.aim.main:
        yield from _another_field(case)
        return
    away = case.aim.away(case.frame)
    if away is None:
        return
    limit = case.policy.off_target_share
    drifted = case.aim.nearest.get(case.frame.key, away) < limit.doubtful <= away
    how = "drifted to" if drifted else "is"
    text = f"the field {how} {away:.0%} of its width away from where the run points"
    grade = Grade.KEEP if drifted else above(away, limit)
    yield Check(
        FaultName.OFF_TARGET, "share of the field it points away", away,
        None if drifted else limit, grade, text, "off_target_share",
    )  # fmt: skip


def _no_field(case: Case) -> Iterator[Check]:
    """Plenty of stars, none where this target has them, while the rest of the run does fit."""
    stars, usual = case.frame.measurement.stars or 0, case.count.stars or 0
    if stars < max(STARS_OF_A_FIELD, PLENTY_SHARE * usual) or case.aim.main_share <= 0.5:
        return
    text = f"{stars} stars, but none of the patterns of this target's field"
    yield Check(FaultName.OFF_TARGET, "field of the target", None, None, Grade.REJECT, text)


def _another_field(case: Case) -> Iterator[Check]:
    """A few frames at a place that no other night of the name shows, while most of the run fit.

    Many frames of a run at one place were most likely meant; so were those of the place most
    taken under the name, and of one that other nights show.
    """
    frame, aim = case.frame, case.aim
    meant = (
        frame.placement.matched_to == frame.placement.best_of_name
        or (frame.placement.field_runs or 0) > 1
    )
    if meant or aim.main_share <= 0.5 or aim.share(frame.placement.matched_to) >= MEANT_SHARE:
        return
    most = aim.fields[0][1]
    text = f"its stars are those of another field than {most} of this run's {aim.frames} frames"
    text += f" of {frame.context.target} show" if frame.context.target else " show"
    yield Check(FaultName.OFF_TARGET, "field of the target", None, None, Grade.REJECT, text)


def readout(case: Case) -> Iterator[Check]:
    """A glitch while the frame was read out: what its camera's other frames do not have."""
    found = case.frame.placement.readout or _out_of_place(case)
    grade = Grade.REJECT if found else Grade.KEEP
    text = found or case.frame.placement.readout_doubt or _no_glitch(case.frame)
    yield Check(FaultName.READOUT, "rows as read out", None, None, grade, text)


def _no_glitch(frame: Frame) -> str:
    """Say what is known not to be there; a camera without hot columns shows no displacement."""
    silent = _why_stars_are_silent(frame)
    if silent is None:
        return "no repeated, missing, banded or displaced rows"
    return (
        "no repeated, missing or banded rows; displaced ones are unknown where no column of the"
        f" camera shows them, because {silent}"
    )


def _why_stars_are_silent(frame: Frame) -> str | None:
    """Say why the stars do not tell whether rows are displaced; None where they do."""
    if frame.placement.matched is None:
        return "there is no other frame to lay its stars on"
    if not frame.placement.matched:
        return "its stars could be laid on no other frame"
    if (frame.measurement.stars or 0) < STARS_OF_ROWS:
        return f"{frame.measurement.stars or 0} stars are too few to tell"
    return None


def _out_of_place(case: Case) -> str | None:
    """Judge displaced rows by the majority: the best frame may itself be the displaced one."""
    differs = case.frame.placement.rows_out_of_place
    if case.light.out_of_place_share <= 0.5:
        return differs
    if case.frame.placement.matched and differs is None:
        return "a band of rows is out of place against most frames of this run"
    return None


def clipped(case: Case) -> Iterator[Check]:
    """Far more saturated stars than usual for the exposure; noted, it rejects nothing."""
    count, usual = case.frame.measurement.clipped_stars, case.count.clipped_stars
    if count is None or usual is None:
        return
    most = max(case.policy.clipped_least, case.policy.clipped_ratio * usual)
    text = f"{count} star{'s' * (count != 1)} saturated, this run's usual {usual:.0f}"
    yield Check(
        FaultName.CLIPPED, "saturated stars", float(count), None, Grade.KEEP, text,
        "clipped_ratio", noted=count >= most,
    )  # fmt: skip


def tilted(case: Case) -> Iterator[Check]:
    """Width that changes across the field the whole run long: optics, not tracking; noted."""
    span, usual = case.frame.measurement.tilt, case.shape.tilt
    if span is None or usual is None:
        return
    least = case.policy.tilted_span
    text = f"FWHM changes by {span:.0%} across the field, {case.runs_usual} {usual:.0%}"
    yield Check(
        FaultName.TILTED, "change of FWHM across the field", span, None, Grade.KEEP, text,
        "tilted_span", noted=min(span, usual) >= least,
    )  # fmt: skip


def streak(case: Case) -> Iterator[Check]:
    """A satellite or aircraft trail; noted, stacking removes it."""
    count = len(case.frame.placement.streaks)
    text = f"{count or 'no'} satellite or aircraft trail{'s' * (count > 1)}"
    text += "; stacking removes it" if count == 1 else "; stacking removes them" if count else ""
    yield Check(
        FaultName.STREAK, "trails across the frame", float(count), None, Grade.KEEP, text,
        noted=count > 0,
    )  # fmt: skip
