"""World coordinates moved from an array to the frame it lies in: against astropy.wcs."""

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from runlog.core.frame import Card
from runlog.ingest.amplifier_wcs import Axis, moved_wcs

STEPS = {"CDELT1": -3e-4, "CDELT2": 2.5e-4}
MANNERS = {
    "CD": {"CD1_1": -2e-4, "CD1_2": 1e-4, "CD2_1": 1.1e-4, "CD2_2": 2.1e-4},
    "PC": {**STEPS, "PC1_1": 0.8, "PC1_2": -0.6, "PC2_1": 0.6, "PC2_2": 0.8},
    "PC in part": {**STEPS, "PC1_2": -0.6, "PC2_1": 0.6},
    "CDELT": STEPS,
    "CROTA2": {**STEPS, "CROTA2": 37.0},
}
OF_ONE_PART = {"LTV1": -20.0, "LTM1_1": 1.0, "CRPIX1P": 5.0, "A_2_0": 1e-5, "A_ORDER": 2}


@pytest.mark.parametrize("manner", MANNERS)
@pytest.mark.parametrize("turned", [(False, False), (True, False), (False, True), (True, True)])
def test_every_pixel_keeps_its_place_on_the_sky(manner, turned):
    """Guards CRPIX and the signs of the matrix, whichever way it is written."""
    cards = {
        "CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 83.0, "CRVAL2": 22.0,
        "CRPIX1": 310.5, "CRPIX2": -41.0, **MANNERS[manner],
    }  # fmt: skip
    axes = [Axis(20, 100, 700, turned[0]), Axis(5, 80, 300, turned[1])]
    given = [Card(keyword, value, "") for keyword, value in (cards | OF_ONE_PART).items()]
    moved = {card.keyword: card.value for card in moved_wcs(given, axes)}
    assert not OF_ONE_PART.keys() & moved.keys()
    x, y = np.random.default_rng(1).uniform(0, 80, (2, 9))  # pixels of the part, from 0
    there = [
        axis.corner + (axis.size - 1 - p if axis.turned else p)
        for axis, p in zip(axes, (x, y), strict=True)
    ]
    own = WCS(fits.Header(cards)).pixel_to_world(x + axes[0].first, y + axes[1].first)
    theirs = WCS(fits.Header(moved)).pixel_to_world(*there)
    assert own.separation(theirs).arcsec.max() < 1e-6
