"""What the whole run shows about single headers: kinds that cannot be, and questions to ask."""

from collections.abc import Sequence
from dataclasses import replace

from runlog.core.auxiliary import AuxCandidate, auxiliary_reasons
from runlog.core.corrections import BY_A_PERSON
from runlog.core.doubts import wrong_filters
from runlog.core.frame import Kind, Question, RunFrame
from runlog.core.questions import overlaps

SUN_UP_DEG = -4.0  # brighter than any deep-sky exposure is begun


def is_light(frame: RunFrame) -> bool:
    """Tell whether the frame is a light that counts for its exposure."""
    return frame.kind is Kind.LIGHT and frame.counted


def looked_at_again(frames: Sequence[RunFrame]) -> list[RunFrame]:
    """Find frames that claim to be lights but served to focus, solve or centre."""
    lights = [i for i, frame in enumerate(frames) if is_light(frame)]
    changed = list(frames)
    for n, reason in auxiliary_reasons([_candidate(frames[i]) for i in lights]).items():
        frame = frames[lights[n]]
        if frame.kind_from != BY_A_PERSON:
            why = f"compared with its run: {reason}"
            changed[lights[n]] = replace(frame, kind=Kind.FOCUS, kind_from=why)
    return changed


def _candidate(frame: RunFrame) -> AuxCandidate:
    return AuxCandidate(
        exposure_s=frame.exposure_s,
        binning=frame.binning,
        width=frame.width,
        height=frame.height,
        focus_pos=frame.focus_pos,
    )


def questions(frames: Sequence[RunFrame]) -> list[tuple[Question, ...]]:
    """Ask what does not fit, frame by frame."""
    asked: list[list[Question]] = [[] for _ in frames]
    for i, frame in enumerate(frames):
        sun = frame.sun_alt_deg
        if frame.kind is Kind.LIGHT and sun is not None and sun > SUN_UP_DEG:
            text = (
                f"the Sun stood at {sun:+.0f} degrees: wrong clock, local time written as UTC, "
                "or the sign of the longitude"
            )
            asked[i].append(Question("sun-up", text))
    for i, question in _overlapping(frames):
        asked[i].append(question)
    lights = [i for i, frame in enumerate(frames) if is_light(frame) and frame.measured]
    for n, question in wrong_filters([frames[i] for i in lights]):
        asked[lights[n]].append(question)
    return [tuple(of_frame) for of_frame in asked]


def _overlapping(frames: Sequence[RunFrame]) -> list[tuple[int, Question]]:
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
