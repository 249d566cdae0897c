"""The maker's Sun, Moon and sky brightness against handbooks and ephem."""

import math
from datetime import UTC, datetime, timedelta

import ephem
import pytest

from samples.maker import sky
from samples.maker.scenario import FILTERS, NIGHTS, TARGETS, Site

SITE = Site()
MOMENTS = [datetime(2026, 9, 1, 19, tzinfo=UTC) + timedelta(hours=41.3 * i) for i in range(40)]


def _observer(at_utc: datetime) -> ephem.Observer:
    observer = ephem.Observer()
    observer.lat, observer.lon = str(SITE.latitude_deg), str(SITE.longitude_deg)
    observer.elevation, observer.pressure = SITE.elevation_m, 0
    observer.date = at_utc.replace(tzinfo=None)
    return observer


@pytest.mark.parametrize("at_utc", MOMENTS[::4])
def test_sun_and_moon_stand_where_ephem_puts_them(at_utc: datetime) -> None:
    """Guards sun and moon altitude; ephem (VSOP87, ELP-based) is the second opinion."""
    observer = _observer(at_utc)
    sun, moon = ephem.Sun(observer), ephem.Moon(observer)
    ours, _ = sky.altitude_azimuth(sky.sun(at_utc), at_utc, SITE)
    assert ours == pytest.approx(math.degrees(sun.alt), abs=0.05)
    # The low-precision Moon is good to 0.3 deg; parallax by a mean distance adds 0.05.
    assert sky.moon_altitude(at_utc, SITE) == pytest.approx(math.degrees(moon.alt), abs=0.4)


@pytest.mark.parametrize("at_utc", MOMENTS[1::4])
def test_circumstances_agree_with_ephem(at_utc: datetime) -> None:
    """Guards altitude, azimuth, Moon distance and phase of a frame; ephem as second opinion."""
    target = TARGETS["M 33"]
    body = ephem.FixedBody()
    body._ra, body._dec = math.radians(target.ra_deg), math.radians(target.dec_deg)
    observer = _observer(at_utc)
    body.compute(observer)
    moon = ephem.Moon(observer)
    place = sky.Direction(target.ra_deg, target.dec_deg)
    at = sky.circumstances(place, at_utc, SITE)
    # J2000 places are used as they are: precession to 2026 is 0.37 deg.
    assert at.altitude_deg == pytest.approx(math.degrees(body.alt), abs=0.4)
    along = (at.azimuth_deg - math.degrees(body.az) + 180) % 360 - 180
    assert abs(along) * math.cos(body.alt) < 0.4
    topocentric_deg = math.degrees(ephem.separation(moon, body))
    assert at.moon_sep_deg == pytest.approx(topocentric_deg, abs=1.4)  # parallax is up to 1
    assert at.moon_lit == pytest.approx(moon.phase / 100.0, abs=0.02)


def test_sun_of_the_handbook() -> None:
    """Guards the Sun's formula: Meeus, Astronomical Algorithms, example 25.a."""
    place = sky.sun(datetime(1992, 10, 13, tzinfo=UTC))
    assert place.ra_deg == pytest.approx(198.38083, abs=0.02)
    assert place.dec_deg == pytest.approx(-7.78507, abs=0.02)


def test_moon_phase_of_the_handbook() -> None:
    """Guards the lit fraction: Meeus, Astronomical Algorithms, example 48.a."""
    at_utc = datetime(1992, 4, 12, tzinfo=UTC)
    lit = sky.circumstances(sky.Direction(0.0, 0.0), at_utc, SITE).moon_lit
    assert lit == pytest.approx(0.6786, abs=0.01)


def test_moonlight_of_the_published_example() -> None:
    """Guards the moonlight model: Krisciunas and Schaefer 1991, PASP 103, 1033."""
    light_nl = sky.moonlight_nl(20.0, 70.0, 50.0, 45.0, 0.15)
    assert sky.magnitudes(light_nl) == pytest.approx(19.855, abs=0.005)


@pytest.mark.parametrize(("zenith_deg", "expected"), [(60, 1.9943), (75, 3.8129), (80, 5.586)])
def test_airmass_of_the_published_table(zenith_deg: float, expected: float) -> None:
    """Guards airmass: Kasten and Young 1989, Appl. Opt. 28, 4735."""
    assert sky.airmass(90.0 - zenith_deg) == pytest.approx(expected, abs=0.001)


def test_sky_is_at_its_darkest_without_moon_and_twilight() -> None:
    """Guards the sum of dark sky, Moon and twilight: the zenith reaches the filter's level."""
    at = sky.Circumstances(90.0, 0.0, 0.0, 1.0, -40.0, -30.0, 120.0, 0.5)
    lit, dark = sky.brightness_mag(at, FILTERS["L"])
    assert lit == pytest.approx(FILTERS["L"].dark_sky_mag, abs=0.001)
    assert dark == pytest.approx(lit, abs=0.001)


def test_moonrise_does_not_jump() -> None:
    """Guards the low Moon: from just below to just above the horizon the sky rises under 2 %."""
    levels = []
    for moon_alt_deg in (-0.5, 0.5):
        at = sky.Circumstances(70.0, 0.0, 0.0, 1.06, -40.0, moon_alt_deg, 80.0, 0.6)
        levels.append(sky.brightness_mag(at, FILTERS["L"])[0])
    assert 0.0 <= levels[0] - levels[1] < 0.02


@pytest.mark.parametrize("scale", list(NIGHTS))
def test_nights_start_in_the_dark(scale: str) -> None:
    """Guards the scripts' clocks: no night starts with the Sun above -18 deg, by ephem."""
    for script in NIGHTS[scale]:
        observer = _observer(datetime.fromisoformat(script.start_utc))
        assert math.degrees(ephem.Sun(observer).alt) < -18.0
