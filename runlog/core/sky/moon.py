"""When the Moon rises and sets, as almanacs define it.

The U.S. Naval Observatory's definition of rising and setting: the upper limb is on the horizon,
refraction there is 34 arcmin. Its radius is from Meeus, Astronomical Algorithms, chapter 55.
"""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from runlog.core.sky.earth import (
    RADIUS_KM,
    Floats,
    Site,
    altitude_deg,
    moments_of,
    observer,
)
from runlog.core.sky.moon_place import moon_km, moon_place

REFRACTION_DEG = 34 / 60
_MOON_RADIUS = 0.272481  # of the Earth's
_STEP = timedelta(minutes=5)
_FINE = 60  # parts of a step: crossings to a few seconds


class Crossing(NamedTuple):
    """The Moon's upper limb on the horizon: rising, or setting."""

    at: datetime
    rises: bool


def moon_crossings(start: datetime, end: datetime, site: Site) -> list[Crossing]:
    """Find every moonrise and moonset from start to end (aware), good to ten seconds.

    Upper limb, refraction of 34 arcmin, no dip for the height of the site: what almanacs print.
    """
    times = list(_grid(start, end))
    height = upper_limb_deg(times, site)
    found = []
    for i, (a, b) in enumerate(pairwise(times)):
        if (height[i] > 0) != (height[i + 1] > 0):
            found.append(Crossing(_refined(a, b, site), bool(height[i + 1] > 0)))
    return found


def _grid(start: datetime, end: datetime) -> Iterator[datetime]:
    now = start
    while now < end:
        yield now
        now += _STEP
    yield end


def _refined(a: datetime, b: datetime, site: Site) -> datetime:
    times = [a + (b - a) * (i / _FINE) for i in range(_FINE + 1)]
    up = upper_limb_deg(times, site) > 0
    i = int(np.flatnonzero(up[1:] != up[:-1])[0])
    return times[i] + (times[i + 1] - times[i]) / 2


def upper_limb_deg(times: Sequence[datetime], site: Site) -> Floats:
    """Compute how far the Moon's upper limb stands above the horizon as it is seen.

    Parameters
    ----------
    times : n moments, timezone-aware.

    Returns
    -------
    (n,) degrees, within 0.01 from 1972 to 2050: altitude of the centre as seen from the site
    (parallax included), plus semidiameter, plus 34 arcmin; above the horizon only its sign counts.
    """
    moments = moments_of(times)
    here_km, zenith = observer(site, moments.greenwich)
    seen_km = moon_km(moon_place(moments.centuries), moments) - here_km
    radius = np.arcsin(_MOON_RADIUS * RADIUS_KM / np.linalg.norm(seen_km, axis=0))
    return np.asarray(altitude_deg(seen_km, zenith) + np.degrees(radius) + REFRACTION_DEG)
