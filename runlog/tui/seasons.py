"""Seasons as screens show them: observing years, July to June."""

from dataclasses import replace

from runlog.core.ledger.seasons import season
from runlog.core.selection import EVERYTHING, Selection


def nights_of(name: str, chosen: Selection = EVERYTHING) -> Selection:
    """Choose the nights of a season among those chosen."""
    first, last = season(name)
    return replace(chosen, since=first, until=last)
