"""Where Sun, Moon and stars stand: Meeus' examples (from memory) and the USNO's own tables."""

import math
import re
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import ephem
import erfa
import numpy as np
import pytest

from runlog.core.sky.earth import (
    Moments,
    Site,
    apparent,
    mean_tilt,
    moments_of,
    nutation_of,
    observer,
    tt_minus_utc_s,
)
from runlog.core.sky.moon_place import moon_km, moon_place
from runlog.core.sky.sidereal import greenwich_sidereal_deg
from runlog.core.sky.sun import KM_AN_AU, sun_km, sun_place

USNO = Path(ephem.__file__).parent / "tests" / "usno"
ATLANTA = Site(33.76, -84.41, 322.0)
SECOND_OF_RA_DEG = 15 / 3600


def at_td(*when):
    """Give a moment of dynamical time as Meeus has it; sidereal time is not asked for."""
    t = np.array([(datetime(*when) - datetime(2000, 1, 1, 12)) / timedelta(days=36525)])
    nutation, nodding = nutation_of(t)
    return Moments(t, nutation, mean_tilt(t) + nodding, np.zeros(1))


def on_sky_deg(vectors):
    """Give right ascension and declination of vectors (3, n)."""
    x, y, z = vectors
    return np.degrees(np.arctan2(y, x)) % 360, np.degrees(np.arctan2(z, np.hypot(x, y)))


def apart_deg(one, other):
    """Give the angle between (ra, dec) of two places."""
    ra, dec = one
    return math.hypot((ra - other[0]) * math.cos(math.radians(dec)), dec - other[1])


def test_the_sun_of_meeus():
    """Examples 25.a and 25.b, 1992-10-13 0h TD, by his short and by his long theory."""
    moment = at_td(1992, 10, 13)
    place = sun_place(moment.centuries)
    ra, dec = on_sky_deg(sun_km(place, moment))
    assert apart_deg((ra[0], dec[0]), (198.38083, -7.78507)) < 0.004
    assert apart_deg((ra[0], dec[0]), (198.378178, -7.783871)) < 0.002
    assert place.distance_km[0] / KM_AN_AU == pytest.approx(0.99766, abs=1e-4)


def test_the_moon_of_meeus():
    """Example 47.a, 1992-04-12 0h TD: to the last digit, so that every term is right."""
    moment = at_td(1992, 4, 12)
    found = moon_place(moment.centuries)
    assert found.longitude_deg[0] % 360 == pytest.approx(133.162655, abs=1e-6)
    assert found.latitude_deg[0] == pytest.approx(-3.229126, abs=1e-6)
    assert found.distance_km[0] == pytest.approx(368409.7, abs=0.05)
    assert np.degrees(moment.nutation[0]) == pytest.approx(0.004610, abs=1.5e-4)
    ra, dec = on_sky_deg(moon_km(found, moment))
    assert ra[0] == pytest.approx(134.688470, abs=2e-4)
    assert dec[0] == pytest.approx(13.768368, abs=2e-4)


def test_the_lit_part_of_the_moon_of_meeus():
    """Example 48.a, 1992-04-12 0h TD: Sun, Moon and their distances together make 0.6786."""
    moment = at_td(1992, 4, 12)
    moon = moon_km(moon_place(moment.centuries), moment)[:, 0]
    to_sun = sun_km(sun_place(moment.centuries), moment)[:, 0] - moon
    cosine = -moon @ to_sun / np.linalg.norm(moon) / np.linalg.norm(to_sun)
    assert (1 + cosine) / 2 == pytest.approx(0.6786, abs=1e-4)


def test_the_sidereal_time_of_meeus():
    """Example 12.a, 1987-04-10 0h UT: 13h 10m 46.3668s mean, 46.1351s apparent."""
    when = datetime(1987, 4, 10, tzinfo=UTC)
    days = (when - datetime(2000, 1, 1, 12, tzinfo=UTC)) / timedelta(days=1)
    mean_s = greenwich_sidereal_deg(days) % 360 * 240
    assert mean_s == pytest.approx(13 * 3600 + 10 * 60 + 46.3668, abs=0.002)  # without terms of T^2
    apparent_s = np.degrees(moments_of([when]).greenwich[0]) % 360 * 240
    assert apparent_s == pytest.approx(13 * 3600 + 10 * 60 + 46.1351, abs=0.03)


def test_the_nutation_of_meeus():
    """Example 22.a, 1987-04-10 0h TD: -3.788 and +9.443 arcsec; his short form is good to 0.5."""
    moment = at_td(1987, 4, 10)
    longitude, obliquity = nutation_of(moment.centuries)
    assert np.degrees(longitude[0]) * 3600 == pytest.approx(-3.788, abs=0.5)
    assert np.degrees(obliquity[0]) * 3600 == pytest.approx(9.443, abs=0.1)
    assert np.degrees(moment.tilt[0]) == pytest.approx(23 + 26 / 60 + 36.850 / 3600, abs=3e-5)


def test_time_scales_by_erfa():
    """TT minus UTC is within 2 s of the leap seconds from 1972 on (SOFA's dat)."""
    for year in range(1972, 2027):
        days = (datetime(year, 3, 1) - datetime(2000, 1, 1, 12)) / timedelta(days=1)
        true_s = 32.184 + float(erfa.dat(year, 3, 1, 0.0))
        assert tt_minus_utc_s(np.array([days]))[0] == pytest.approx(true_s, abs=2.0)


LINE = re.compile(
    r"(\d{4} [A-Z][a-z]{2} \d{2}) 00:00:00.0 +([\d ]+\.\d+) +([+-]) *([\d ]+\.\d+)(.*)"
)


def sexagesimal(text):
    """Read degrees or hours, minutes and seconds."""
    return sum(float(part) / 60**n for n, part in enumerate(text.split()))


def printed(name):
    """Read a table of the USNO: moment (UT1), right ascension and declination, the distance."""
    for line in (USNO / f"{name}.txt").read_text(encoding="latin-1").splitlines():
        found = LINE.match(line)
        if found:
            day, ra, sign, dec, rest = found.groups()
            when = datetime.strptime(day, "%Y %b %d").replace(tzinfo=UTC)
            yield (
                when,
                15 * sexagesimal(ra),
                float(f"{sign}{sexagesimal(dec)}"),
                *map(float, rest.split()[:1]),
            )


@pytest.mark.parametrize("site", [None, ATLANTA], ids=["geo", "topo"])
@pytest.mark.parametrize("body", ["sun", "moon"])
def test_the_usno_tables(body, site):
    """Sun within 0.004 and Moon within 0.003 degrees (the theory's 10 arcsec), here and there."""
    table = list(printed(f"app{'geo' if site is None else 'topo'}_{body}"))
    assert len(table) >= 10
    moments = moments_of([row[0] for row in table])
    where = (
        sun_km(sun_place(moments.centuries), moments)
        if body == "sun"
        else moon_km(moon_place(moments.centuries), moments)
    )
    if site is not None:
        where = where - observer(site, moments.greenwich)[0]
    far = np.linalg.norm(where, axis=0) / (KM_AN_AU if body == "sun" else 1)
    for ra, dec, distance, row in zip(*on_sky_deg(where), far, table, strict=True):
        assert apart_deg((ra, dec), row[1:3]) < (0.004 if body == "sun" else 0.003)
        assert distance == pytest.approx(row[3], rel=1e-4)


def test_a_star_of_the_usno_table():
    """Deneb with its motion since J2000: precession, nutation and aberration within an arcsec."""
    table = list(printed("appgeo_deneb"))
    moments = moments_of([row[0] for row in table])
    years = 100 * moments.centuries
    # Hipparcos: place of J2000, motion in mas a year (from memory).
    ra_deg = 310.35797975 + 1.56e-3 * years / 3600 / math.cos(math.radians(45.28))
    dec_deg = 45.28033881 + 1.55e-3 * years / 3600
    sun = sun_place(moments.centuries)
    found = on_sky_deg(apparent(ra_deg, dec_deg, moments, sun.longitude))
    for ra, dec, row in zip(*found, table, strict=True):
        assert apart_deg((ra, dec), row[1:3]) < 1.0 / 3600


def quarters():
    """Read the phases of 1980 to the minute: the longitude of the Moon from the Sun at each."""
    text = (USNO / "moon_phases.txt").read_text()
    months = [f"{datetime(2000, m, 1):%b}" for m in range(1, 13)]
    cells = re.findall(r"([A-Z][a-z]{2}) +([0-9]+) +([0-9]+) +([0-9]{2})", text)
    for month, day, hour, minute in cells:
        numbers = (months.index(month) + 1, int(day), int(hour), int(minute))
        yield datetime(1980, *numbers, tzinfo=UTC)


def test_the_usno_phases_of_a_year():
    """New, quarter and full Moon of 1980: apart by 0, 90, 180, 270 degrees in longitude.

    The Moon gains 0.008 degrees in a minute; the table rounds to one, the Sun is good to 0.004.
    """
    times = list(quarters())
    assert len(times) >= 48
    moments = moments_of(times)
    moon_deg = moon_place(moments.centuries).longitude_deg
    aberration_deg = -0.0057
    sun_deg = np.degrees(sun_place(moments.centuries).longitude) + aberration_deg
    apart = (moon_deg - sun_deg) % 90
    assert np.minimum(apart, 90 - apart).max() < 0.5 * 0.0091 + 0.004
    turns = np.rint((moon_deg - sun_deg) % 360 / 90) % 4
    assert all((b - a) % 4 == 1 for a, b in pairwise(turns))
