"""Turn what a person typed into a selection of frames."""

from collections.abc import Mapping
from datetime import date

from runlog.config import Settings
from runlog.core.header.filters import NO_FILTER, fold_filter
from runlog.errors import UsageError
from runlog.store.catalogue import target_names
from runlog.store.listing import Wanted


def wanted_frames(
    settings: Settings,
    night: str | None = None,
    target: str | None = None,
    filter_name: str | None = None,
    rig: str | None = None,
    grade: str | None = None,
    fault: str | None = None,
) -> Wanted:
    """Fold names to their one spelling and check the date."""
    return Wanted(
        night=evening(night) if night else None,
        target=target_names().fold(target).name if target else None,
        filter=one_filter(filter_name, settings.rules.filter_names) if filter_name else None,
        rig=rig,
        grade=grade,
        fault=fault,
    )


def one_filter(name: str, names: Mapping[str, str]) -> str:
    """Fold a filter's name as the frames' own are; "none" means frames without a filter."""
    return fold_filter(name, names) or NO_FILTER


def evening(text: str) -> str:
    """Check a night's date; returns it in ISO form."""
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError as error:
        raise UsageError(
            f"{text!r} is not a date", cure="Write the evening's date as in 2026-10-14"
        ) from error
