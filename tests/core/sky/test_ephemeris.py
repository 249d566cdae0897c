"""Sun, Moon and airmass against published values, astropy and ephem."""

import math
import warnings
from datetime import UTC, datetime, timedelta

import ephem
import numpy as np
import pytest
from astropy import units
from astropy.coordinates import AltAz, EarthLocation, SkyCoord, get_body, get_sun
from astropy.time import Time
from astropy.utils import iers

from runlog.core.sky.earth import Site
from runlog.core.sky.ephemeris import airmass_of, dark_window, sky_context, sun_altitude_deg

SITES = [Site(47.5, 16.0, 300.0), Site(-30.2, -70.8, 2200.0), Site(-31.3, 149.1, 1100.0)]
TIMES = [
    datetime(2026, m, d, h, 30, tzinfo=UTC) for m, d, h in ((1, 5, 2), (6, 21, 20), (10, 9, 11))
]


def observer(site, when):
    """Place an ephem observer without air, as our altitudes are geometric."""
    seen = ephem.Observer()
    seen.lat, seen.lon = math.radians(site.latitude_deg), math.radians(site.longitude_deg)
    seen.elevation, seen.pressure = site.elevation_m, 0
    seen.date = when.replace(tzinfo=None)
    return seen


@pytest.fixture
def offline():
    """Keep astropy from asking the network, and from warning of the years to come."""
    with (
        iers.conf.set_temp("auto_download", False),
        iers.conf.set_temp("auto_max_age", None),
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("ignore")
        yield


def by_astropy(times, site, ra_deg, dec_deg):
    """Give altitudes of Sun, Moon and target and the Moon's distance, in degrees, without air."""
    place = EarthLocation.from_geodetic(site.longitude_deg, site.latitude_deg, site.elevation_m)
    moments = Time([t.replace(tzinfo=None) for t in times], scale="utc")
    horizon = AltAz(obstime=moments, location=place)
    moon = get_body("moon", moments, place).transform_to(horizon)
    target = SkyCoord(ra_deg * units.deg, dec_deg * units.deg).transform_to(horizon)
    sun = get_sun(moments).transform_to(horizon)
    return sun.alt.deg, moon.alt.deg, target.separation(moon).deg, target.alt.deg


def drawn(seed, count=60):
    """Draw a site, and moments and places on the sky, from 1995 to 2030."""
    rng = np.random.default_rng(seed)
    site = Site(rng.uniform(-70, 70), rng.uniform(-180, 180), rng.uniform(0, 4000))
    days = rng.uniform(-1800, 11000, count)
    times = [datetime(2000, 1, 1, tzinfo=UTC) + timedelta(days=float(d)) for d in days]
    return (
        times,
        site,
        rng.uniform(0, 360, count),
        np.degrees(np.arcsin(rng.uniform(-1, 1, count))),
    )


@pytest.mark.usefixtures("offline")
@pytest.mark.parametrize("seed", range(6))
def test_all_agrees_with_astropy(seed):
    """Over 35 years, all over Earth and sky, within 0.008 degrees: UT1, and the Sun's theory.

    The Moon's is the same theory as ours, by another hand; ephem and the USNO have others.
    """
    times, site, ra_deg, dec_deg = drawn(seed)
    sky = sky_context(times, site, ra_deg, dec_deg)
    sun, moon, apart, target = by_astropy(times, site, ra_deg, dec_deg)
    np.testing.assert_allclose(sky.sun_alt_deg, sun, atol=0.008)
    np.testing.assert_allclose(sky.moon_alt_deg, moon, atol=0.006)
    np.testing.assert_allclose(sky.moon_sep_deg, apart, atol=0.001)
    np.testing.assert_allclose(sky.target_alt_deg, target, atol=0.006)
    np.testing.assert_allclose(sun_altitude_deg(times, site), sky.sun_alt_deg, atol=1e-6)
    up = target > 15
    np.testing.assert_allclose(
        airmass_of(sky.target_alt_deg)[up], airmass_of(target)[up], rtol=5e-4
    )


@pytest.mark.parametrize("site", SITES)
def test_altitudes_agree_with_ephem(site):
    """Sun and Moon stand where ephem sees them, within 0.01 degrees."""
    nowhere = np.full(len(TIMES), np.nan)
    sky = sky_context(TIMES, site, nowhere, nowhere)
    for i, when in enumerate(TIMES):
        for body, found in ((ephem.Sun(), sky.sun_alt_deg), (ephem.Moon(), sky.moon_alt_deg)):
            body.compute(observer(site, when))
            assert found[i] == pytest.approx(math.degrees(body.alt), abs=0.01)
    assert np.isnan(sky.target_alt_deg).all()
    assert np.isnan(sky.moon_sep_deg).all()


@pytest.mark.parametrize("site", SITES)
def test_target_altitude_and_moon_distance_agree_with_ephem(site):
    """M 33's altitude, and the Moon's distance from it, are right to 0.01 degrees."""
    ra_deg, dec_deg = 23.4621, 30.6602
    sky = sky_context(TIMES, site, np.full(3, ra_deg), np.full(3, dec_deg))
    for i, when in enumerate(TIMES):
        seen = observer(site, when)
        star, moon = ephem.FixedBody(), ephem.Moon()
        star._ra, star._dec = math.radians(ra_deg), math.radians(dec_deg)
        star.compute(seen)
        moon.compute(seen)
        assert sky.target_alt_deg[i] == pytest.approx(math.degrees(star.alt), abs=0.01)
        apart = math.degrees(ephem.separation((moon.ra, moon.dec), (star.ra, star.dec)))
        assert sky.moon_sep_deg[i] == pytest.approx(apart, abs=0.01)


def test_airmass_of_pickering():
    """Pickering 2002, DIO 12: 1.9932 at altitude 30, 5.581 at 10 degrees."""
    found = airmass_of(np.array([90.0, 30.0, 10.0, -1.0]))
    assert found[0] == pytest.approx(1.0, abs=1e-4)
    assert found[1] == pytest.approx(1.9932, abs=1e-4)
    assert found[2] == pytest.approx(5.581, abs=1e-3)
    assert np.isnan(found[3])


@pytest.mark.parametrize("site", SITES)
def test_dark_window_agrees_with_ephem(site):
    """Astronomical twilight ends and begins within a minute of ephem's."""
    noon = datetime(2026, 10, 9, 12, tzinfo=UTC) - timedelta(hours=site.longitude_deg / 15)
    found = dark_window(noon, site)
    seen = observer(site, noon)
    seen.horizon = "-18"
    for ours, theirs in zip(
        found,
        (
            seen.next_setting(ephem.Sun(), use_center=True),
            seen.next_rising(ephem.Sun(), use_center=True),
        ),
        strict=True,
    ):
        apart_s = (ours - theirs.datetime().replace(tzinfo=UTC)).total_seconds()
        assert abs(apart_s) < 60


def test_no_dark_in_a_northern_summer():
    """At 55 degrees north the Sun never sinks 18 degrees in June: no window, not a made-up one."""
    assert dark_window(datetime(2026, 6, 21, 12, tzinfo=UTC), Site(55.0, 0.0)) is None
