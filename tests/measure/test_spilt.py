"""What bright stars put into rows is theirs: tails, spikes and smear, drawn; bands are not."""

import numpy as np
import pytest

from runlog.measure.readout import find_signs
from tests.measure.defects import readout_smear, smear
from tests.measure.readouts import sky, stored

NOISE_ADU = 12.0
STARS = ((90, 150), (260, 240), (410, 330), (530, 60))  # y, x


def bright(picture):
    """Add bright stars of a width of 3 px, in place."""
    y, x = np.mgrid[: picture.shape[0], : picture.shape[1]]
    for sy, sx in STARS:
        picture += 30_000 * np.exp(-((y - sy) ** 2 + (x - sx) ** 2) / 3.2)


def field():
    """Draw a sky with some bright stars."""
    picture = sky(seed=8).astype(float)
    bright(picture)
    return picture


@pytest.mark.parametrize("reach_px", [200, 1000, 5000])
@pytest.mark.parametrize("turn", [0, 2])
@pytest.mark.parametrize("sigmas", [5, 60])
def test_charge_left_behind_by_stars_is_no_sign(reach_px, turn, sigmas):
    """A tail lies on one side of its star, however long it is."""
    picture = stored(field())
    for y, x in STARS:
        smear(picture, x, y, sigmas * NOISE_ADU, reach_px, turn)
    assert find_signs(picture).rows == ()


def test_spikes_fade_away_from_their_star():
    """A spike along the rows lies on both sides of its star and fades."""
    picture = stored(field())
    for y, x in STARS:
        for turn in (0, 2):
            smear(picture, x, y, 40 * NOISE_ADU, 300, turn)
    assert find_signs(picture).rows == ()


def test_smear_through_full_stars_is_theirs():
    """What a full star smears along a whole row is as narrow as the star."""
    picture = np.ascontiguousarray(stored(field()).T)
    for y, x in STARS[:3]:
        picture[x - 2 : x + 3, y - 2 : y + 3] = 65535
        readout_smear(picture, y, 6 * NOISE_ADU, 2.6)
    assert find_signs(np.ascontiguousarray(picture.T)).rows == ()


@pytest.mark.parametrize("sigma", [-3, -1, 1, 3, 10])
@pytest.mark.parametrize("rows", [4, 12])
def test_bands_through_bright_stars_are_found(sigma, rows):
    """Rows lifted on both sides of a bright star are the read-out's, the star or not."""
    picture = field()
    places = []
    for y, _ in STARS:
        picture[y - 2 : y - 2 + rows] += sigma * NOISE_ADU
        places += [y - 2, y - 2 + rows]
    assert [b.at for b in find_signs(stored(picture)).rows] == places


def test_a_crowd_of_full_stars_hides_no_band():
    """Where every tenth row holds a full star, one in the band tells nothing."""
    picture = stored(field())
    random = np.random.default_rng(3)
    for y, x in zip(random.integers(5, 590, 60), random.integers(5, 790, 60), strict=True):
        picture[y - 2 : y + 3, x - 2 : x + 3] = 60_000
    for first in (100, 300, 500):
        picture[first : first + 4] = np.minimum(picture[first : first + 4] + 60.0, 65535)
    assert [b.at for b in find_signs(picture).rows] == [100, 104, 300, 304, 500, 504]


def test_a_slope_put_on_whole_numbers_is_no_staircase_of_faults():
    """A slope added to stored values and rounded again steps by one value at some rows."""
    y = np.arange(600)[:, None]
    flat = sky(noise_adu=1.2, slope_adu=0, level_adu=300, stars=0)
    assert find_signs(stored(flat + np.rint(4.0 * y / 600))).rows == ()
    flat[300:320] += 1  # one step up and back is a band all the same
    assert [b.at for b in find_signs(flat).rows] == [300, 320]
