"""Dark, rises and sets, transits, against ephem and published numbers."""

from datetime import UTC, date, datetime, timedelta
from math import degrees

import ephem
import numpy as np
import pytest
from astropy.coordinates import get_body
from astropy.time import Time

from runlog.core.plan.settings import PlanSettings
from runlog.core.plan.sky_grid import (
    SkyGrid,
    dark_span,
    moment_of,
    night_name,
    noon_grid,
    spans_above,
    tracks,
    transit,
    windows,
)
from runlog.core.sky.earth import Site
from runlog.core.sky.nights import noon_before
from runlog.core.sky.sidereal import days_since_j2000

NORTH = Site(50.1, 14.4)
SITES = (NORTH, Site(-33.9, 18.5), Site(0.0, -78.5), Site(65.0, 25.0), Site(78.2, 15.6))
PLACES = {"M 31": (10.6847, 41.2688), "M 42": (83.8221, -5.3911), "M 81": (148.8882, 69.0653)}


def noon(evening, site):
    return days_since_j2000(noon_before(date.fromisoformat(evening), site.longitude_deg))


def at(text):
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def observer(site, moment):
    here = ephem.Observer()
    here.lat, here.lon, here.pressure, here.elevation = (
        str(site.latitude_deg), str(site.longitude_deg), 0, 0,
    )  # fmt: skip
    here.date = ephem.Date(moment.replace(tzinfo=None))
    return here


def ephem_alt(body, site, moment):
    body.compute(observer(site, moment))
    return degrees(body.alt)


@pytest.mark.parametrize(
    ("site", "evening", "start", "end"),
    [
        (NORTH, "2026-11-26", "2026-11-26T17:02:39", "2026-11-27T04:37:25"),
        (Site(-33.9, 18.5), "2026-11-26", "2026-11-26T19:17:48", "2026-11-27T01:48:48"),
        (Site(78.2, 15.6), "2026-12-15", "2026-12-15T15:14:40", "2026-12-16T06:31:51"),
    ],
)
def test_dark_begins_and_ends_as_ephem_says(site, evening, start, end):
    """Guards the dark window: ephem, pressure 0, centre of the Sun at -18, to 30 s."""
    found = dark_span(noon(evening, site), site, -18.0)
    for day, said in zip(found, (start, end), strict=True):
        assert abs((moment_of(day) - at(said)).total_seconds()) < 30


@pytest.mark.parametrize("site", [NORTH, Site(65.0, 25.0)])
def test_midsummer_has_no_dark(site):
    """Guards that a bright night is told as one (ephem: the Sun never gets 18 degrees down)."""
    assert dark_span(noon("2026-06-21", site), site, -18.0) is None


def test_the_polar_night_is_dark_from_noon_to_noon():
    """Guards places where the Sun stays below -18 all day (84 N in December: at noon -29.4)."""
    site = Site(84.9, 15.0)
    start = noon("2026-12-20", site)
    assert dark_span(start, site, -18.0) == (start, start + 1)


@pytest.mark.parametrize(
    ("name", "said"),
    [("M 31", "2026-11-26T19:23:41"), ("M 42", "2026-11-27T00:15:18"),
     ("M 81", "2026-11-27T04:35:43")],
)  # fmt: skip
def test_transits(name, said):
    """Guards hour angles: ephem's transits at 50.1 N 14.4 E, to 15 s."""
    grid = SkyGrid(noon_grid(noon("2026-11-26", NORTH)), NORTH)
    ra, dec = PLACES[name]
    track = tracks(grid, np.array([ra]), np.array([dec]))
    found = moment_of(transit(grid, track.hour_angle_deg[0]))
    assert abs((found - at(said)).total_seconds()) < 15


@pytest.mark.parametrize(
    ("latitude", "dec", "hours"),
    [(50.1, 41.27, 12.063), (50.1, -5.39, 3.509), (50.1, 69.07, 21.396), (50.1, -45.0, 0.0),
     (-33.9, 69.07, 0.0), (-33.9, -60.0, 11.655)],
)  # fmt: skip
def test_hours_above_thirty_degrees(latitude, dec, hours):
    """Guards windows: hours above 30 degrees by the spherical triangle, to 0.01 h.

    The triangle holds for places of date: these are taken back to J2000 by ephem.
    """
    site = Site(latitude, 14.4)
    day = noon("2026-11-26", site)
    of_date = ephem.Equatorial("04:26:00", str(dec), epoch=ephem.Date("2026/11/27"))
    j2000 = ephem.Equatorial(of_date, epoch=ephem.J2000)
    grid = SkyGrid(noon_grid(day), site)
    place = degrees(j2000.ra), degrees(j2000.dec)
    up = sum(b - a for a, b in windows(grid, place, PlanSettings()))
    if hours < 20:  # one that hardly sets is up on both ends of a day
        assert up * 24 == pytest.approx(hours, abs=0.01)
    track = tracks(SkyGrid(day + np.arange(0, 86164, 10) / 86400, site),
                   np.array([place[0]]), np.array([place[1]]))  # fmt: skip
    assert (track.alt_deg[0] > 30).mean() * 86164 / 3600 == pytest.approx(hours, abs=0.01)


ALLOWED = {"sun": (-18.0, 0.015), "rise": (-0.83, 0.015), "moon": (0.0, 0.01), "star": (30.0, 0.01)}


def bodies():
    """Give ephem's bodies by the names of events: dusk and dawn, Sun, Moon, a star."""
    star = ephem.FixedBody()
    star._ra, star._dec, star._epoch = "05:35:17.3", "-05:23:28", ephem.J2000
    return {"sun": ephem.Sun(), "rise": ephem.Sun(), "moon": ephem.Moon(), "star": star}


def evenings():
    """Name each day of a year by its noon."""
    return [(date(2026, 1, 1) + timedelta(days=n)).isoformat() for n in range(365)]


@pytest.mark.parametrize("site", SITES)
def test_events_of_a_year_are_ephems(site):
    """Guards every rise, set and twilight of every day of a year, against ephem's altitudes.

    At our time ephem's altitude is within 0.015 degrees of the limit for the Sun, 0.01 for the
    Moon and a star. Where the body climbs faster than 2 degrees an hour that is a time within 60 s.
    """
    seen, count = bodies(), 0
    for evening in evenings():
        start = noon(evening, site)
        for name, (limit, allowed) in ALLOWED.items():
            for day in _edges(name, start, site, limit):
                moment, count = moment_of(day), count + 1
                miss = ephem_alt(seen[name], site, moment) - limit
                assert abs(miss) < allowed, (name, moment, miss)
                later = ephem_alt(seen[name], site, moment + timedelta(seconds=60))
                slope = abs(later - limit - miss) * 60  # degrees an hour
                if slope > 2:
                    assert abs(miss) / slope * 3600 < 60
    assert count > 700  # 78 N has the fewest


@pytest.mark.parametrize("site", SITES)
def test_days_with_other_events_than_ephems_are_days_of_tangency(site):
    """Guards events that only one of the two finds: all within 0.02 degrees of a touch.

    ephem is looked at every quarter of an hour; what goes over and back within one of these rises
    less than that beyond the limit.
    """
    seen, alone = bodies(), []
    for evening in evenings():
        start = noon(evening, site)
        looks = [observer(site, moment_of(start + k / 96)) for k in range(97)]
        courses = {name: _course(seen[name], looks) for name in ("sun", "moon", "star")}
        courses["rise"] = courses["sun"]
        for name, (limit, _) in ALLOWED.items():
            theirs = courses[name] - limit
            crossed = int((np.diff(theirs > 0) != 0).sum())
            mine = _edges(name, start, site, limit)
            if crossed != len(mine):
                at = [abs(ephem_alt(seen[name], site, moment_of(d)) - limit) for d in mine]
                alone.append((evening, name, _touch(theirs), at))
    assert all(touch < 0.02 for _, _, touch, _ in alone), alone


def _course(body, looks):
    """Give ephem's altitudes at each look of an observer."""
    altitudes = []
    for look in looks:
        body.compute(look)
        altitudes.append(degrees(body.alt))
    return np.array(altitudes)


def _touch(altitudes):
    """Give how far from zero the nearest turn of a course of altitudes is, by parabolas.

    Or its ends: an event at noon is of one day or of the next.
    """
    a, b, c = altitudes[:-2], altitudes[1:-1], altitudes[2:]
    bend = a - 2 * b + c
    turns = (b - a) * (c - b) <= 0
    peaks = b[turns] - (c - a)[turns] ** 2 / (8 * bend[turns])
    return float(np.abs([*peaks, altitudes[0], altitudes[-1]]).min())


def _edges(name, start, site, limit):
    def height(days):
        grid = SkyGrid(days, site)
        if name == "star":
            return tracks(grid, np.array([83.822]), np.array([-5.3911])).alt_deg[0] - limit
        return (grid.moon_alt_deg if name == "moon" else grid.sun_alt_deg) - limit

    days = noon_grid(start)
    spans = spans_above(days, height)
    return [day for span in spans for day in span if days[0] < day < days[-1]]


def lit(apart, far, near):
    """Give the lit share of the Moon from where Sun and Moon stand (Meeus, ch. 48)."""
    angle = np.arctan2(far * np.sin(apart), near - far * np.cos(apart))
    return (1 + np.cos(angle)) / 2


def test_the_lit_share_of_the_moon_is_astropys_and_ephems():
    """Guards the Moon's phase on each day of a year: astropy's and ephem's places, within 0.0002.

    ephem's own `moon_phase` is a short formula of the elongation alone: on three days of the year
    it is 0.0020 to 0.0021 from ours, and on these as far from what ephem's own places make.
    """
    days = noon("2026-01-01", NORTH) + np.arange(365)
    mine = (1 + np.cos(np.radians(SkyGrid(days, NORTH).moon_phase_deg))) / 2
    times = Time([moment_of(day) for day in days])
    moon, sun = get_body("moon", times), get_body("sun", times)
    distances = (sun.distance.to_value("km"), moon.distance.to_value("km"))
    assert mine == pytest.approx(lit(sun.separation(moon).rad, *distances), abs=2e-4)
    far = 0
    for day, share in zip(days, mine, strict=True):
        when = ephem.Date(moment_of(day).replace(tzinfo=None))
        moon, sun = ephem.Moon(when), ephem.Sun(when)
        apart = float(ephem.separation((moon.g_ra, moon.g_dec), (sun.g_ra, sun.g_dec)))
        by_places = lit(apart, sun.earth_distance, moon.earth_distance)
        assert share == pytest.approx(by_places, abs=2e-4)
        if abs(moon.moon_phase - share) > 0.002:
            far += 1
            assert abs(moon.moon_phase - by_places) > 0.0019
        assert share == pytest.approx(moon.moon_phase, abs=0.0022)
    assert far == 3


def test_a_horizon_is_followed_around_north():
    """Guards interpolation over 360: half way between two points, and across north."""
    limits = PlanSettings(horizon=((10, 40.0), (90, 20.0), (170, 60), (250, 35), (350, 50)),
                          lowest_deg=25)  # fmt: skip
    got = limits.limit_deg(np.array([0.0, 50.0, 90.0, 355.0]))
    assert got == pytest.approx([45.0, 30.0, 25.0, 47.5])


def test_nights_are_named_by_their_evening_everywhere():
    """Guards names east and west of Greenwich, also where longitude is told from 0 to 360."""
    for longitude in (-179.0, -100.0, 0.0, 14.4, 170.0, 181.0, 260.0):
        site = Site(10.0, longitude)
        start = noon("2026-12-30", site)
        assert night_name(start, site, 0) == "2026-12-30"
        assert night_name(start, site, 3) == "2027-01-02"
