"""What is said beside effective time: what is not in it, what it is measured by, why so much."""

from collections.abc import Iterator, Sequence
from math import sqrt

from runlog.core.columns import hours, plural
from runlog.core.frame import Lacks
from runlog.core.ledger.depth_reference import FEWEST_FRAMES, Reference
from runlog.core.ledger.worth import Worth

WORTH_SAYING = 1.3  # times the kept time: so much needs its reason
PART_OF_IT = 1.05  # a factor that has a share in it
_OF = {
    Lacks.GAIN: "of unknown gain (e/ADU)",
    Lacks.ZERO: "of unknown zero level (bias or dark frames tell it)",
    Lacks.STARS: "whose light could not be compared",
    Lacks.WHOLE: "that do not show the sky as a whole",
}
_NO_REFERENCE = (
    f"without a reference yet (a night with {FEWEST_FRAMES} dark frames that nothing spoilt)"
)


def worth_words(worth: Worth, night: str | None = None) -> str:
    """Say what kept time is worth, by what it is measured, and what is not in it; "" of none."""
    left_out = list(_left_out(worth))
    if worth.effective_s is None:
        return f"its depth is unknown: {_listed(left_out)}" if left_out else ""
    words = f"effective {hours(worth.effective_s)} at the reference's depth"
    beside = [*against(worth, night), *reasons(worth)]
    if left_out:
        beside.append(f"{_listed(left_out)} not in it")
    return ", ".join([words, *beside])


def effective_note(worth: Worth, night: str | None = None) -> str | None:
    """Say what effective time rests on and leaves out; None where there is nothing to say."""
    left_out = list(_left_out(worth))
    if worth.effective_s is None:
        return f"unknown: {_listed(left_out)}" if left_out else None
    said = [*against(worth, night), *reasons(worth)]
    if left_out:
        said.append(f"{_listed(left_out)} not in it")
    return "; ".join(said) or None


def _listed(parts: Sequence[str]) -> str:
    return " and ".join(parts)


def _left_out(worth: Worth) -> Iterator[str]:
    for why, words in _OF.items():
        if count := worth.lacking.get(why):
            yield f"{plural(count, 'frame')} {words}"
    if worth.no_reference:
        yield f"{plural(worth.no_reference, 'frame')} {_NO_REFERENCE}"


def against(worth: Worth, night: str | None = None) -> Iterator[str]:
    """Say what the references lack: other nights, or one without the Moon."""
    alone = {one.light.best or "" for one in worth.divisors if one.light.nights == 1}
    if alone:
        partly = "" if all(d.light.nights == 1 for d in worth.divisors) else "partly "
        yield partly + _relative_to(sorted(alone), night)
    skies = [one.point for one in worth.divisors]
    if any(sky.moonless is not True for sky in skies):
        yield _moonlit(skies)


def _relative_to(nights: Sequence[str], night: str | None) -> str:
    if list(nights) == [night]:
        return "relative to this night"
    named = [one or "unknown date" for one in nights]
    return f"relative to the night of {named[0]} alone" if len(named) == 1 else "by single nights"


def _moonlit(skies: Sequence[Reference]) -> str:
    partly = "" if all(sky.moonless is not True for sky in skies) else "partly "
    if any(sky.moonless is False for sky in skies):
        return f"{partly}against moonlit nights so far"
    return f"{partly}against nights of unknown moonlight"


def reasons(worth: Worth) -> Iterator[str]:
    """Say why kept time is worth so much more than its length; nothing where it is not."""
    seconds = worth.effective_s
    if seconds is None or not worth.known_s or seconds <= WORTH_SAYING * worth.known_s:
        return
    light = worth.light_s / worth.known_s
    sky, narrow = worth.dark_s / worth.light_s, seconds / worth.dark_s
    parts = []
    if light >= PART_OF_IT:
        parts.append(f"{sqrt(light):.2f} times the light")
    if sky >= PART_OF_IT:
        parts.append(f"a background with {1 / sky:.2f} times the variance")
    if narrow >= PART_OF_IT:
        parts.append(f"stars {1 / sqrt(narrow):.2f} times as wide")
    yield f"{seconds / worth.known_s:.1f} times its length because of {', '.join(parts)}"
