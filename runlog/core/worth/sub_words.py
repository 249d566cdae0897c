"""The lengths that serve, in a sentence: mostly a wide range, and what limits it."""

from runlog.core.columns import exposure, hours, length, plural
from runlog.core.worth.sub_length import WITHIN, Lengths, Limit
from runlog.core.worth.sub_record import Record, Spoiling

SURE = 10  # events: fewer tell a rate to a third at best


def sub_words(record: Record, found: Lengths, high_s: float | None, too_long: Limit) -> str:
    """Say which lengths are within 2 % of the best, whether the usual one is, and why."""
    if high_s is not None and high_s < found.low_s:
        return (
            f"no length serves both: below {length(found.low_s)} {found.too_short.value} costs "
            f"more than {_percent()}, from {length(high_s)} on half of the brightest stars clip"
        )
    limits = [f"shorter costs by {found.too_short.value}"]
    if too_long is not Limit.NOTHING:
        limits.append(f"longer by {too_long.value}")
    return "; ".join([_range(found, high_s), *_usual(record, found, high_s), ", ".join(limits)])


def _percent() -> str:
    return f"{100 * (1 - WITHIN):.0f} %"


def _range(found: Lengths, high_s: float | None) -> str:
    if high_s is None:
        return f"from {length(found.low_s)} on all within {_percent()} of what is possible"
    within = f"{length(found.low_s)} to {length(high_s)} are all within {_percent()} of the best"
    known = found.best_s is not None and found.best_s <= high_s
    return f"{within} ({length(found.best_s or 0.0)})" if known else within


def _usual(record: Record, found: Lengths, high_s: float | None) -> list[str]:
    own, conditions = record.usual_s, record.conditions
    if own is None or conditions is None:
        return []
    if found.low_s <= own <= (high_s or own):
        return [f"your {exposure(own)} are among them"]
    if own > found.low_s and found.share(conditions, own) >= WITHIN:
        return [f"your {exposure(own)} clip bright stars"]
    lost = 1 / found.share(conditions, own) - 1
    return [f"your {exposure(own)} take {lost:.0%} more time for the same depth"]


def spoiling_words(found: Spoiling) -> str:
    """Say how often single frames were spoilt, how sure that is, and what was left out of it."""
    if found.frames:
        rough = ", a rough number of so few" if found.frames < SURE else ""
        said = f"{plural(found.frames, 'frame')} spoilt by trailing in {hours(found.open_s)}{rough}"
    else:
        said = f"no single frame spoilt by trailing in {hours(found.open_s)}: no longest length"
    if found.in_spells:
        said += f"; {found.in_spells} in spells left out, as these spoil any length"
    return said
