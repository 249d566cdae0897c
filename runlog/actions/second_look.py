"""What the whole run shows about single headers: kinds that cannot be, and questions to ask."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from runlog.core.corrections.correction import BY_A_PERSON
from runlog.core.frame import Frame, Kind, Question
from runlog.core.grading.wrong_filter import wrong_filters
from runlog.core.header.auxiliary import AuxCandidate, auxiliary_reasons
from runlog.core.header.questions import overlaps
from runlog.core.sky.daylight import SUN_UP_DEG, Lit, LitSite, daylight_question


def is_light(frame: Frame) -> bool:
    """Tell whether the frame is a light that counts for its exposure."""
    return frame.kind is Kind.LIGHT and frame.counted


def looked_at_again(frames: Sequence[Frame]) -> list[Frame]:
    """Find frames that claim to be lights but served to focus, solve or centre."""
    lights = [i for i, frame in enumerate(frames) if is_light(frame)]
    changed = list(frames)
    for n, reason in auxiliary_reasons([_candidate(frames[i]) for i in lights]).items():
        frame = frames[lights[n]]
        if frame.kind_from != BY_A_PERSON:
            why = f"compared with its run: {reason}"
            changed[lights[n]] = replace(frame, kind=Kind.FOCUS, kind_from=why)
    return changed


def _candidate(frame: Frame) -> AuxCandidate:
    return AuxCandidate(
        exposure_s=frame.exposure_s,
        binning=frame.binning,
        width=frame.width,
        height=frame.height,
        focus_pos=frame.focus_pos,
    )


def questions(
    frames: Sequence[Frame], sites: Sequence[LitSite | None]
) -> list[tuple[Question, ...]]:
    """Ask what does not fit, frame by frame; `sites` tells where each frame was taken."""
    asked: list[list[Question]] = [[] for _ in frames]
    for i, question in [*_daylight(frames, sites), *_overlapping(frames)]:
        asked[i].append(question)
    lights = [i for i, frame in enumerate(frames) if is_light(frame) and frame.measured]
    for n, question in wrong_filters([frames[i] for i in lights]):
        asked[lights[n]].append(question)
    return [tuple(of_frame) for of_frame in asked]


def _daylight(
    frames: Sequence[Frame], sites: Sequence[LitSite | None]
) -> list[tuple[int, Question]]:
    """Ask once a run about the Sun: the same words of every light it stood above."""
    lights = {
        i: Lit(_middle(frame), *site, sun_alt_deg=frame.sun_alt_deg)
        for i, (frame, site) in enumerate(zip(frames, sites, strict=True))
        if frame.kind is Kind.LIGHT and frame.sun_alt_deg is not None and site is not None
    }
    question = daylight_question(list(lights.values()))
    if question is None:
        return []
    return [(i, question) for i, light in lights.items() if light.sun_alt_deg > SUN_UP_DEG]


def _middle(frame: Frame) -> datetime:
    assert frame.taken_at_utc is not None  # without a time nothing is known of the Sun
    return frame.taken_at_utc + timedelta(seconds=(frame.exposure_s or 0.0) / 2)


def _overlapping(frames: Sequence[Frame]) -> list[tuple[int, Question]]:
    timed = [
        (i, f.taken_at_utc, f.exposure_s)
        for i, f in enumerate(frames)
        if f.counted and f.taken_at_utc is not None and f.exposure_s and f.kind is not Kind.STACK
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
