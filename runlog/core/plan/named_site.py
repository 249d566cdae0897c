"""A place the config file gives a name, to plan for while the rig stands somewhere else."""

from collections.abc import Mapping
from dataclasses import dataclass

from runlog.core.plan.settings import PlanSettings
from runlog.core.sky.nights import Clock


@dataclass(frozen=True, slots=True)
class NamedSite:
    """Where it is, by which clock, and what of the sky is to be seen there."""

    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    clock: Clock
    plan: PlanSettings


def site_called(sites: Mapping[str, NamedSite], name: str) -> str | None:
    """Find a site by its name in any spelling of case and blanks."""
    folded = {_folded(known): known for known in sites}
    return folded.get(_folded(name))


def _folded(name: str) -> str:
    return "".join(name.split()).casefold()
