"""Seasons as screens show them: observing years, July to June."""

from runlog.core.ledger.seasons import season
from runlog.core.selection import Selection


def nights_of(name: str) -> Selection:
    """Choose the nights of a season."""
    first, last = season(name)
    return Selection(since=first, until=last)
