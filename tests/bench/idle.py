"""Which nights began late or stopped early, by ephem: dark is where the Sun is 18 degrees down."""

import math
from datetime import datetime, timedelta

import ephem

from .labels import FrameLabel, Span
from .nights import NightTruth
from .rigs import PLACES, RIGS

SURE_S, ALLOWED_S = 2100.0, 900.0  # dark unused that must be told, and that may be
SHARE = 0.1  # of a short night
LOW_DEG = 30.0  # a target that is lower is given up, or awaited (common practice, no source)
WAIT = timedelta(hours=1)


def idle_spans(night: NightTruth, *, allowed: bool = False) -> list[Span]:
    """Give the late start and the early stop of a night; `allowed`: also the small ones."""
    site, evening = _site(night), datetime.fromisoformat(night.evening)
    site.date = evening.replace(hour=12)
    site.horizon = "-18"
    sun = ephem.Sun()
    start = site.next_setting(sun, use_center=True).datetime()
    end = site.next_rising(sun, use_center=True).datetime()
    least_s = ALLOWED_S if allowed else min(SURE_S, SHARE * (end - start).total_seconds() * 1.2)
    first, last = night.frames[0], night.frames[-1]
    began, ended = _at(first), _at(last) + timedelta(seconds=last.exposure_s)
    spans = []
    if (began - start).total_seconds() >= least_s and _up(site, first, began - WAIT):
        spans.append(Span("late-start", first.number, first.number))
    if (end - ended).total_seconds() >= least_s and _up(site, last, ended + WAIT / 2):
        spans.append(Span("stopped", last.number, last.number))
    return spans if len(night.frames) >= 3 else []


def _site(night: NightTruth) -> ephem.Observer:
    own, place = RIGS[night.rig].rig.site, ephem.Observer()
    place.lat, place.lon = math.radians(own.latitude_deg), math.radians(own.longitude_deg)
    place.elevation, place.pressure = own.elevation_m, 0
    return place


def _at(label: FrameLabel) -> datetime:
    return datetime.fromisoformat(label.start_utc).replace(tzinfo=None)


def _up(site: ephem.Observer, label: FrameLabel, at: datetime) -> bool:
    """Tell whether a frame's target stands high enough at a moment."""
    target = next(t for t in PLACES.values() if t.key == label.target)
    body = ephem.FixedBody()
    body._ra, body._dec = math.radians(target.ra_deg), math.radians(target.dec_deg)
    site.date = at
    body.compute(site)
    return bool(math.degrees(body.alt) >= LOW_DEG)
