"""What a run's grades rest on besides its frames: limits, site, zero of light, form of depth."""

import hashlib

from runlog.config import Settings
from runlog.core.grading.faults import settings as grading_settings

HALF = 16  # characters for the limits, as many for the site


def settings_digest(settings: Settings) -> str:
    """Name the settings that settling looks at, to see whether a run was settled by them."""
    in_force = {name: settings.policy[own] for name, own in grading_settings().items()}
    limits = (in_force, settings.policy.by_filter, settings.pedestal_adu, settings.depth_form)
    return _digest(limits) + _site_digest(settings)


def same_site(settled_by: str, settings: Settings) -> bool:
    """Tell whether a run was settled with the site that the config names now."""
    return settled_by[HALF:] == _site_digest(settings)


def _site_digest(settings: Settings) -> str:
    return _digest((settings.latitude_deg, settings.longitude_deg, settings.elevation_m))


def _digest(values: object) -> str:
    return hashlib.blake2b(repr(values).encode(), digest_size=HALF // 2).hexdigest()
