"""What a whole run shows to be doubtful in its headers."""

from collections.abc import Collection, Sequence

from runlog.core.frame import Frame, Question
from runlog.core.grading.baseline import by_group, flux_at_zenith, light_group, sky_rate
from runlog.core.grading.clear_view import clear_of, covered
from runlog.core.grading.usual_light import usual_light

MORE_LIGHT = 1.6  # no sky gives that much more: another filter was in
LESS_LIGHT = 0.45  # of both stars and sky, and ...
ALIKE = 2.5  # ... by nearly the same factor: cloud takes stars but not the sky with them


def wrong_filters(
    frames: Sequence[Frame], hidden: Collection[str] | None = None
) -> list[tuple[int, Question]]:
    """Find frames whose stars and sky do not fit the filter their header names.

    `hidden` are those that something covers, by key, where that was found already.
    """
    if hidden is None:
        hidden = covered(frames)  # a tree takes stars and sky alike
    usual = by_group(frames, light_group, lambda own: usual_light(clear_of(own, hidden)))
    found = []
    for i, frame in enumerate(frames):
        if frame.key in hidden:
            continue
        own = usual[light_group(frame)]
        flux, sky = flux_at_zenith(frame), sky_rate(frame)
        if not flux or not own.flux_adu_s or not own.sky_adu_s or sky is None:
            continue
        words = _misfit(flux / own.flux_adu_s, sky / own.sky_adu_s)
        if words:
            text = (
                f"{words} of what {frame.context.filter} gives in this run: was another filter in?"
            )
            found.append((i, Question("filter-doubtful", text)))
    return found


def _misfit(stars: float, sky: float) -> str | None:
    if stars >= MORE_LIGHT and sky >= MORE_LIGHT:
        return f"stars give {stars:.1f} times, the sky {sky:.1f} times"
    if 0 < stars <= LESS_LIGHT and 0 < sky <= LESS_LIGHT and 1 / ALIKE <= stars / sky <= ALIKE:
        return f"stars give {stars:.0%}, the sky {sky:.0%}"
    return None
