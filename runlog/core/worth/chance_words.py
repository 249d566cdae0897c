"""A finish date with its chances, in a sentence."""

from collections.abc import Sequence

from runlog.core.columns import share

SAID = ("1 in 5 by", "even odds by", "4 in 5 by")
SURE = 0.995  # nearer to 0 or 1 than the draws tell


def chance_words(
    dates: Sequence[str | None], season_end: str | None, not_in_season: float, *, now: bool
) -> str:
    """Say by when a goal is reached, with the chances; and what chance there is that it is not.

    Parameters
    ----------
    dates : sequence of str or None
        ISO dates of 20, 50 and 80 %; None where that is not within a year.
    season_end : str or None
        The season's last evening; None where it has no end within a year.
    not_in_season : float
        Chance that the goal is not reached by then.
    now : bool
        Whether the season is on.
    """
    within = [
        f"{said} {day}"
        for said, day in zip(SAID, dates, strict=True)
        if day is not None and (season_end is None or day <= season_end)
    ]
    return ", ".join(within) + ("; " if within else "") + _not(season_end, not_in_season, now)


def _not(season_end: str | None, chance: float, now: bool) -> str:
    if season_end is None:
        when = "not within a year"
    else:
        when = f"not {'this' if now else 'in the coming'} season (until {season_end})"
    if chance > SURE:
        return f"{when}: more than 99%"
    return f"{when}: {'less than 1%' if chance < 1 - SURE else share(chance)}"
