"""What the whole run shows about single headers: kinds that cannot be, and questions to ask."""

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from runlog.core.corrections.correction import BY_A_PERSON
from runlog.core.frame import Frame, Kind, Question
from runlog.core.grading.wrong_filter import wrong_filters
from runlog.core.header.auxiliary import AuxCandidate, auxiliary_reasons
from runlog.core.header.questions import overlaps
from runlog.core.sky.daylight import SUN_UP_DEG, Lit, LitSite, daylight_question


def auxiliary_set_apart(frames: Sequence[Frame]) -> list[Frame]:
    """Find frames that claim to be lights but served to focus, solve or centre."""
    lights = [i for i, frame in enumerate(frames) if frame.is_light]
    changed = list(frames)
    for n, reason in auxiliary_reasons([_candidate(frames[i]) for i in lights]).items():
        frame = frames[lights[n]]
        if frame.context.kind_from != BY_A_PERSON:
            why = f"compared with its run: {reason}"
            context = replace(frame.context, kind=Kind.FOCUS, kind_from=why)
            changed[lights[n]] = replace(frame, context=context)
    return changed


def _candidate(frame: Frame) -> AuxCandidate:
    return AuxCandidate(
        exposure_s=frame.header.exposure_s,
        binning=frame.header.binning_x,
        width=frame.identity.width,
        height=frame.identity.height,
        focus_pos=frame.header.focus_pos,
    )


def questions(
    frames: Sequence[Frame],
    sites: Sequence[LitSite | None],
    covered: Collection[str] | None = None,
) -> list[tuple[Question, ...]]:
    """Ask what does not fit, frame by frame; `sites` tells where each frame was taken.

    `covered` are the lights that something stands before, by key, where that was found already.
    """
    asked: list[list[Question]] = [[] for _ in frames]
    for i, question in [*_daylight(frames, sites), *_overlapping(frames)]:
        asked[i].append(question)
    lights = [i for i, frame in enumerate(frames) if frame.is_light and frame.measurement.measured]
    for n, question in wrong_filters([frames[i] for i in lights], covered):
        asked[lights[n]].append(question)
    return [tuple(of_frame) for of_frame in asked]


def _daylight(
    frames: Sequence[Frame], sites: Sequence[LitSite | None]
) -> list[tuple[int, Question]]:
    """Ask once a run about the Sun: the same words of every light it stood above."""
    lights = {
        i: Lit(_middle(frame), *site, sun_alt_deg=frame.context.sun_alt_deg)
        for i, (frame, site) in enumerate(zip(frames, sites, strict=True))
        if frame.context.kind is Kind.LIGHT
        and frame.context.sun_alt_deg is not None
        and site is not None
    }
    question = daylight_question(list(lights.values()))
    if question is None:
        return []
    return [(i, question) for i, light in lights.items() if light.sun_alt_deg > SUN_UP_DEG]


def _middle(frame: Frame) -> datetime:
    assert frame.header.taken_at_utc is not None  # without a time nothing is known of the Sun
    return frame.header.taken_at_utc + timedelta(seconds=(frame.header.exposure_s or 0.0) / 2)


def _overlapping(frames: Sequence[Frame]) -> list[tuple[int, Question]]:
    timed = [
        (i, f.header.taken_at_utc, f.header.exposure_s)
        for i, f in enumerate(frames)
        if f.identity.counted
        and f.header.taken_at_utc is not None
        and f.header.exposure_s
        and f.context.kind is not Kind.STACK
    ]
    return [
        (
            timed[a][0],
            Question(
                "overlap",
                f"its exposure would run {seconds:.0f} s into the next one: it was probably "
                "stopped early",
            ),
        )
        for a, _, seconds in overlaps([(start, length) for _, start, length in timed])
    ]
