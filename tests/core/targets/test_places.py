"""Places in names, against astropy's own reading, writing and angles."""

import pytest
from astropy.coordinates import SkyCoord
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.targets.misspelled import mistyped_number
from runlog.core.targets.places import apart_deg, place_name, read_place, written_place

PLACES = st.tuples(st.floats(0, 359.999), st.floats(-89.99, 89.99))


@given(PLACES)
def test_a_place_written_is_read_the_same_by_another_library(place):
    """Guards what a person is given to type: within half a second of time and half a minute."""
    text = written_place(*place)
    theirs = SkyCoord(text)
    assert theirs.dec.deg == pytest.approx(place[1], abs=0.5 / 60 + 1e-9)
    assert apart_deg(theirs.ra.deg, 0, place[0], 0) <= 0.5 * 15 / 3600 + 1e-9
    assert read_place(text) == pytest.approx((theirs.ra.deg, theirs.dec.deg), abs=1e-9)


@given(PLACES, st.sampled_from(["hmsdms", ":", " "]))
def test_a_name_that_is_a_place_is_read_as_another_library_writes_it(place, manner):
    """Guards hours, minutes and seconds of both coordinates, in three manners of writing."""
    coord = SkyCoord(*place, unit="deg")
    kind = {"sep": manner} if manner != "hmsdms" else {}
    found = read_place(coord.to_string("hmsdms", precision=4, alwayssign=True, **kind))
    if found is None:  # 24h or 90 degrees after rounding
        assert place[0] > 359.99 or abs(place[1]) > 89.99
    else:
        assert apart_deg(*found, *place) < 0.002 / 3600  # half of 0.0001 s is 0.00075 arcsec


@pytest.mark.parametrize("written", ["24h00m +10d", "24h00m +10d00m", "05h00m +90d01m"])
def test_what_is_off_the_sky_is_no_place(written):
    """Guards that hours end at 24 and declinations at 90 degrees."""
    assert read_place(written) is None


@pytest.mark.parametrize(
    ("place", "written", "name"),
    [
        ((0.0, 90.0), "0h00m00s +90d00m", "J0000+9000"),
        ((359.999, -0.25), "0h00m00s -0d15m", "J2359-0015"),
        ((180.0, 0.0), "12h00m00s +0d00m", "J1200+0000"),
        ((-15.0, -30.5), "23h00m00s -30d30m", "J2300-3030"),
    ],
)
def test_places_at_the_ends_of_their_circles(place, written, name):
    """Guards 0 h, the equator and the pole: rounded as written, cut off in a name (IAU)."""
    assert (written_place(*place), place_name(*place)) == (written, name)
    assert apart_deg(*read_place(written), *place) <= 0.01


@given(PLACES, PLACES)
def test_angles_are_those_of_another_library(one, other):
    """Guards the angle between any two places, near and opposite ones."""
    theirs = SkyCoord(*one, unit="deg").separation(SkyCoord(*other, unit="deg"))
    assert apart_deg(*one, *other) == pytest.approx(theirs.deg, abs=1e-6)


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("NCG 7000", "NGC 7000"),
        ("NGC7OOO", "NGC 7000"),
        ("lC 1396", "IC 1396"),
        ("NGC 7000", None),  # nothing is mistyped
        ("NGC 700O", None),  # the letter may be a filter
        ("M3l", None),  # one letter and a letter for a digit: too little to go by
        ("MCG 33", None),  # a catalogue of its own
        ("NGC OOO", None),
    ],
)
def test_slips_in_numbers_are_read_where_one_catalogue_fits(written, name):
    """Guards letters for digits and letters that changed places, and what is no slip."""
    assert mistyped_number(written) == name
