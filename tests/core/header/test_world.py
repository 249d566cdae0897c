"""Where the centre of an image lies by its world coordinates: against astropy.wcs."""

import numpy as np
import pytest
from astropy.coordinates import SkyCoord
from astropy.io import fits
from astropy.wcs import WCS

from runlog.core.frame import Card, Kind, Shape
from runlog.core.header.cards import CardIndex
from runlog.core.header.coordinates import read_pointing, separation_deg
from runlog.core.header.questions import Doubts
from runlog.core.header.world import image_place, pixel_matrix

WIDE, HIGH = 800, 600
STEP = 1.2 / 3600


def header_of(cards):
    """Make a FITS header of a few cards."""
    header = fits.Header()
    header["NAXIS"], header["NAXIS1"], header["NAXIS2"] = 2, WIDE, HIGH
    header.update(cards)
    return header


def wcs(code="TAN", ra_deg=83.63, dec_deg=22.01, pixel=(400.5, 300.5), **more):
    """Make the cards of a world coordinate system."""
    return {
        "CTYPE1": f"RA---{code}", "CTYPE2": f"DEC--{code}", "CRVAL1": ra_deg, "CRVAL2": dec_deg,
        "CRPIX1": pixel[0], "CRPIX2": pixel[1], **more,
    }  # fmt: skip


def index_of(cards):
    return CardIndex([Card(keyword, value) for keyword, value in cards.items()])


def questions_of(cards):
    """List what is asked about where an image points."""
    doubts = Doubts()
    read_pointing(index_of(cards), doubts, Shape(WIDE, HIGH))
    return [question.text for question in doubts.about(Kind.LIGHT)]


def centre_of(cards):
    return image_place(index_of(cards), Shape(WIDE, HIGH))


STEPS = {"CDELT1": -STEP, "CDELT2": STEP}
CD = {"CD1_1": -2e-4, "CD1_2": 1e-4, "CD2_1": 1.1e-4, "CD2_2": 2.1e-4}
PC = {**STEPS, "PC1_1": 0.8, "PC1_2": -0.6, "PC2_1": 0.6, "PC2_2": 0.8}
MANNERS = {
    "centred": wcs(**STEPS),
    "beside the frame": wcs(pixel=(4400.0, -2900.0), **STEPS),
    "CD": wcs(pixel=(4400.0, 3100.0), **CD),
    "CD in part": wcs(pixel=(4400.0, 3100.0), CD1_1=-2e-4, CD2_2=2e-4),
    "PC": wcs(pixel=(-1400.0, 31.0), **PC),
    "CROTA2": wcs(pixel=(9000.0, 31.0), CROTA2=37.0, **STEPS),
    "CROTA2 and a mirror": wcs(pixel=(9000.0, 31.0), CROTA2=-120.0, CDELT1=STEP, CDELT2=STEP * 2),
    "south pole": wcs(dec_deg=-89.9, pixel=(3000.0, 2000.0), **STEPS),
    "at the pole": wcs(ra_deg=0.0, dec_deg=-90.0, pixel=(3000.0, -2000.0), **STEPS),
    "across 0 h": wcs(ra_deg=359.9, pixel=(3000.0, 2000.0), **STEPS),
    "negative": wcs(ra_deg=-0.1, pixel=(3000.0, 2000.0), **STEPS),
    "LONPOLE": wcs(pixel=(3000.0, 2000.0), LONPOLE=90.0, **STEPS),
    "far": wcs(pixel=(30_000.0, 9000.0), **STEPS),
    "arcsec": wcs(CUNIT1="deg", CUNIT2="deg", pixel=(3000.0, 20.0), **STEPS),
    "units": {
        **wcs(ra_deg=83.63 * 3600, dec_deg=22.01 * 3600, pixel=(3000.0, 20.0)),
        "CUNIT1": "arcsec", "CUNIT2": "arcsec", "CDELT1": -1.2, "CDELT2": 1.2,
    },
    **{
        unit: {
            **wcs(ra_deg=83.63 * a_deg, dec_deg=22.01 * a_deg, pixel=(3000.0, 20.0)),
            "CUNIT1": unit, "CUNIT2": unit, "CDELT1": -STEP * a_deg, "CDELT2": STEP * a_deg,
        }
        for unit, a_deg in (("arcmin", 60.0), ("mas", 3.6e6), ("rad", np.pi / 180))
    },
    "axes swapped": {
        **wcs(pixel=(3000.0, 2000.0), **STEPS), "CTYPE1": "DEC--TAN", "CTYPE2": "RA---TAN",
        "CRVAL1": 22.01, "CRVAL2": 83.63,
    },
    **{code: wcs(code, pixel=(9000.0, -7000.0), **STEPS) for code in ("SIN", "ARC", "STG", "ZEA")},
}  # fmt: skip


@pytest.mark.parametrize("name", MANNERS)
def test_the_centre_is_where_another_library_puts_it(name):
    """Guards every way of writing the matrix, the poles and the projections, to 0.1 arcsec."""
    cards = MANNERS[name]
    theirs = WCS(header_of(cards)).pixel_to_world((WIDE - 1) / 2, (HIGH - 1) / 2)
    found = centre_of(cards)
    assert found.of_centre
    apart = SkyCoord(found.ra_deg, found.dec_deg, unit="deg").separation(theirs.icrs)
    assert apart.arcsec < 0.1


@pytest.mark.parametrize(
    ("steps", "pole", "followed"),
    [(STEPS, None, True), (STEPS, 0.0, True), (STEPS, 180.0, True), (STEPS, 90.0, False)],
)
def test_a_map_turned_about_another_point_is_left(steps, pole, followed):
    """Guards projections that are taken as a plane: only upright ones are."""
    said = {} if pole is None else {"LONPOLE": pole}
    assert (centre_of(wcs("CAR", pixel=(900.0, 400.0), **steps, **said)) is not None) is followed


def test_each_axis_has_a_unit_of_its_own():
    """Guards a matrix whose rows are in the units of their axes (FITS Standard 4.0, section 8)."""
    mixed = {"CUNIT1": "arcsec", "CUNIT2": "deg"}
    for steps in (
        {"CD1_1": -1.2, "CD2_2": STEP},
        {"CDELT1": -1.2, "CDELT2": STEP},
    ):
        matrix = pixel_matrix(index_of({**steps, **mixed}))
        assert matrix == (pytest.approx((-1.2, 0.0)), pytest.approx((0.0, 1.2)))


@pytest.mark.parametrize("code", ["CAR", "SFL", "MER", "AIT", "AZP"])
def test_other_projections_are_near_enough_or_left(code):
    """Guards the plane drawn through any reference point: right to 0.1 deg within 3 deg."""
    near = wcs(code, dec_deg=0.0, pixel=(6000.0, 4000.0), **STEPS)
    theirs = WCS(header_of(near)).pixel_to_world((WIDE - 1) / 2, (HIGH - 1) / 2)
    found = centre_of(near)
    assert SkyCoord(found.ra_deg, found.dec_deg, unit="deg").separation(theirs).deg < 0.1
    far = wcs(code, dec_deg=0.0, pixel=(20_000.0, 40.0), **STEPS)
    assert centre_of(far) is None
    asked = questions_of(far)
    assert len(asked) == 1
    assert f"the projection {code} of the world coordinates is not followed as far" in asked[0]
    assert not questions_of(far | {"RA": 83.6, "DEC": 22.0})  # it is known where it points


def test_a_reference_point_beside_a_frame_without_a_scale_tells_nothing():
    """Guards against names for a frame that is degrees away from the point its header gives."""
    assert centre_of(wcs(pixel=(4400.0, 300.0))) is None
    assert centre_of(wcs(pixel=(4400.0, 300.0), CDELT1=1.0, CDELT2=1.0)) is None  # nobody filled in
    assert "far outside the image" in questions_of(wcs(pixel=(4400.0, 300.0)))[0]
    inside = centre_of(wcs(pixel=(300.0, 300.0)))
    assert (inside.ra_deg, inside.dec_deg, inside.of_centre) == (83.63, 22.01, False)
    assert not image_place(index_of(wcs(**STEPS)), None).of_centre


def test_a_map_of_a_pole_gets_no_place_from_its_reference_point():
    """Guards a map whose reference point is 23 deg outside it (cards as in a library's test)."""
    cards = {
        "CTYPE1": "RA---AZP", "CRPIX1": -254.11, "CDELT1": -0.0666667, "CRVAL1": 0.0,
        "CTYPE2": "DEC--AZP", "CRPIX2": -11.35, "CDELT2": 0.0666667, "CRVAL2": -90.0,
        "PV2_1": 2.0, "PV2_2": 30.0, "LONPOLE": 180.0,
    }  # fmt: skip
    assert read_pointing(index_of(cards), Doubts(), Shape(192, 192)) == (None, None)


def test_what_nobody_filled_in_is_not_moved():
    """Guards the question about two exact zeros, and places that are none."""
    doubts = Doubts()
    for cards in (
        wcs(ra_deg=0.0, dec_deg=0.0, **STEPS),
        wcs(ra_deg=-690.7, dec_deg=172.2, **STEPS),
    ):
        assert read_pointing(index_of(cards), doubts, Shape(WIDE, HIGH)) == (None, None)
    texts = [question.text for question in doubts._asked.values()]
    assert texts[0].startswith("CRVAL 0 with declination 0")
    assert texts[1].endswith("is out of range; the pair was left out")


@pytest.mark.parametrize("seed", range(5))
def test_separation_agrees_with_astropy(seed):
    """Guards the angle between two places, at the poles, across 0 h and for close pairs."""
    random = np.random.default_rng(seed)
    for reach in (1e-4, 1.0, 180.0):
        a = (random.uniform(0, 360), float(np.degrees(np.arcsin(random.uniform(-1, 1)))))
        b = (
            (a[0] + random.uniform(-1, 1) * reach) % 360,
            float(np.clip(a[1] + reach / 3, -90, 90)),
        )
        theirs = SkyCoord(*a, unit="deg").separation(SkyCoord(*b, unit="deg")).deg
        assert separation_deg(a, b) == pytest.approx(theirs, abs=1e-9)
