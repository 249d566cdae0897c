"""What the nights to come hold for a goal, in words."""

from runlog.core.columns import hours, plural, share
from runlog.core.plan.season import Season
from runlog.core.plan.wanted import ASSUMED_CLEAR, Wanted


def season_words(
    wanted: Wanted,
    season: Season | None,
    dates: tuple[str | None, str | None],
    clear: float | None,
    moonless: float | None,
) -> str:
    """Say when a goal's season ends, and whether it can be reached at the person's own pace.

    `moonless` is the share of the usable time of the nights shown.
    """
    if season is None:
        return "unknown, because the place of its target is not known"
    if season.begins is None:
        return "not up long enough in the dark on any night within a year"
    said = [_span(season, dates), _finish(wanted, season, clear)]
    if moonless is not None:
        said.append(f"{share(moonless)} of its time in the nights shown is moonless")
    return "; ".join(part for part in said if part)


def _span(season: Season, dates: tuple[str | None, str | None]) -> str:
    begins, ends = dates
    start = "" if season.now else f"season from {begins}, "
    if ends is None:
        return f"{start}no end of its season within a year"
    word = "until" if start else "season until"
    return f"{start}{word} {ends}, {plural(season.nights, 'night')}"


def _finish(wanted: Wanted, season: Season, clear: float | None) -> str:
    given = hours(season.obtainable_s)
    if clear is None:
        return (
            f"{given} to be had if {share(ASSUMED_CLEAR)} of nights are clear: whether that holds "
            "is unknown, because fewer than 5 nights are stored"
        )
    pace = f"at your pace ({share(clear)} of nights)"
    if wanted.to_go_s is None:
        return f"{given} to be had {pace}"
    if season.obtainable_s >= wanted.to_go_s:
        return f"{hours(wanted.to_go_s)} to go of {given} to be had {pace}: it can be finished"
    short = hours(wanted.to_go_s - season.obtainable_s)
    return f"{given} to be had {pace}: {short} short of what is to go"
