"""What stands out about rows: found by place in drawn frames, and nothing found in clean ones."""

import time

import numpy as np
import pytest
from astropy.io import fits

from runlog.core.sensor.row_faults import suspicion
from runlog.core.sensor.signs import Signs, Stretch
from runlog.measure.readout import find_signs
from tests.bench.defects import KINDS, draw_night
from tests.measure.readouts import add_stars, sky, stored

NOISE_ADU = 12.0


def places(breaks):
    """Give the places of jumps."""
    return [b.at for b in breaks]


# --- faults are found where they are --------------------------------------------------------


@pytest.mark.parametrize("sigma", [-10, -3, -1, 1, 3, 10])
def test_a_band_is_found_at_its_rows_with_its_level(sigma):
    """A band of rows raised or lowered is a jump and a jump back, of the right size in ADU."""
    picture = sky().astype(float)
    picture[200:230] += sigma * NOISE_ADU
    found = find_signs(stored(picture)).rows
    assert places(found) == [200, 230]
    assert found[0].jump_adu == pytest.approx(sigma * NOISE_ADU, abs=0.3 * NOISE_ADU)
    assert found[0].jump_sigma == pytest.approx(sigma, rel=0.3, abs=0.2)
    assert found[1].jump_sigma == pytest.approx(-found[0].jump_sigma, abs=0.35)


def test_repeated_rows_are_found_with_what_they_repeat():
    """A row, a block read out twice and a row written again and again are copies by place."""
    picture = sky()
    picture[400:450] = picture[100:150]
    picture[31] = picture[30]
    assert find_signs(picture).repeated == (Stretch(31, 31, 30), Stretch(400, 449, 100))
    picture[200:240] = picture[200]
    assert Stretch(201, 239, 200) in find_signs(picture).repeated


def test_a_lost_half_holds_no_picture():
    """Rows that never arrived are one blank stretch, and no band besides."""
    picture = sky()
    picture[300:] = 0
    found = find_signs(picture)
    assert found.blank == (Stretch(300, 599),)
    assert found.rows == ()


@pytest.mark.parametrize("shift_px", [-25, 3, 12, 60])
def test_displaced_rows_are_found_by_the_cameras_columns(shift_px):
    """Hot columns and an edge stand elsewhere in rows that slipped; the row is right to a pixel."""
    picture = sky(seed=5).astype(float)
    picture[:, 300] += 80
    picture[:, 611] += 60
    picture[:, 0] -= 90
    picture[280:] = np.roll(picture[280:], shift_px, axis=1)
    (slip,) = find_signs(stored(picture)).slips
    assert slip.shift_px == shift_px
    assert slip.at == pytest.approx(280, abs=1)


def test_the_sensors_own_lines_are_found_by_place():
    """Dead rows, a dead column and a hot one are told by place like anything else."""
    picture = sky().astype(float)
    picture[100:108] -= 200
    picture[:, 400] -= 300
    picture[:, 500:502] += 90
    found = find_signs(stored(picture))
    assert places(found.rows) == [100, 108]
    assert places(found.columns) == [400, 401, 500, 502]


# --- nothing in clean frames ----------------------------------------------------------------


@pytest.mark.parametrize("seed", range(6))
def test_a_sound_frame_has_no_signs(seed):
    """Stars and a gradient are not bands."""
    assert find_signs(sky(seed=seed)) == Signs()


@pytest.mark.parametrize("noise_adu", [0.8, 1.0, 1.3, 1.6, 2.0])
@pytest.mark.parametrize("grain", [1, 4, 16])
def test_low_noise_with_a_gradient_has_no_bands(noise_adu, grain):
    """Steps of whole numbers, native or shifted up by 2 or 4 bits, are not taken for bands.

    3 ADU over 2,000 rows at a noise of 0.8 to 2 was always a band by medians of rows.
    """
    picture = sky(
        shape=(2000, 640), noise_adu=noise_adu * grain, slope_adu=3 * grain, grain=grain,
        level_adu=350 * grain, stars=200,
    )  # fmt: skip
    found = find_signs(picture)
    assert found == Signs()


@pytest.mark.parametrize("mosaic", [True, False])
def test_a_mosaic_of_colours_is_not_banded(mosaic):
    """Rows of a Bayer frame differ by colour, every second alike, whether the header says so."""
    picture = sky().astype(float)
    picture[::2, ::2] += 300
    picture[1::2, 1::2] -= 150
    assert find_signs(stored(picture), mosaic=mosaic) == Signs()
    picture[200:240] += 3 * NOISE_ADU
    assert places(find_signs(stored(picture), mosaic=mosaic).rows) == pytest.approx(
        [200, 240], abs=2
    )


def scene(name):
    """Draw what lies before or in the telescope and could be taken for a glitch."""
    y, x = np.mgrid[:600, :800]
    picture = sky(seed=11).astype(float)
    if name == "tree":
        picture -= 150 / (1 + np.exp(-(y - 400 - 30 * np.sin(x / 40)) / 8))
    elif name == "roof":
        picture -= 200 / (1 + np.exp(-(y - 420) / 15))
    elif name == "galaxy":
        picture += 4000 * np.exp(-np.hypot(y - 300, (x - 400) / 3) / 40)
    elif name == "vignetting":
        picture = 500 + (picture - 500) * (1 - 0.6 * ((y - 300) ** 2 + (x - 400) ** 2) / 250_000)
    elif name == "bloom":
        picture[150:520, 398:403] = 60_000
        picture += 50_000 * np.exp(-np.hypot(y - 330, x - 400) / 6)
    elif name == "smear":
        picture[329:332, 400:] += 3000 * np.exp(-(np.arange(400) / 60))
    elif name == "moonlight":
        picture += 900 * (y / 600) ** 2 + 300 * x / 800
    elif name == "trail":
        picture += 120 * np.exp(-((y - 250 - 0.05 * x) ** 2) / 3)
    return stored(picture)


@pytest.mark.parametrize(
    "name", ["tree", "roof", "galaxy", "vignetting", "bloom", "smear", "moonlight", "trail"]
)
def test_nothing_before_the_telescope_is_a_sign(name):
    """Soft edges, slopes, trails and bright stars do not run along whole rows with a sharp edge."""
    found = find_signs(scene(name))
    assert (found.rows, found.blank, found.repeated, found.slips) == ((), (), (), ())


def test_full_columns_of_bloomed_stars_displace_nothing(tmp_path):
    """Guards stars over the brim in columns near each other: none is the camera's, moved."""
    draw_night(tmp_path, KINDS["blooms"], 4, 3)
    last = fits.getdata(tmp_path / "light_003.fits")
    assert np.count_nonzero(last == 65535) > 1000
    assert find_signs(last).slips == ()


def test_a_trail_along_a_row_is_not_held_against_a_frame():
    """A narrow bright band alone may be a satellite that flew along the rows."""
    y = np.arange(600)[:, None]
    picture = sky() + 150 * np.exp(-((y - 250.3) ** 2) / 2.0)
    assert suspicion(find_signs(stored(picture)), 600) is None


def test_blank_borders_of_registered_frames_hide_nothing():
    """NaN or zeros around a registered picture are a blank stretch each, no bands."""
    picture = sky().astype(np.float32)
    picture[:20] = np.nan
    picture[:, -15:] = np.nan
    found = find_signs(picture)
    assert (found.blank, found.rows) == ((Stretch(0, 19),), ())
    picture = np.nan_to_num(picture)
    found = find_signs(picture)
    assert (found.blank, found.rows) == ((Stretch(0, 19),), ())


@pytest.mark.parametrize(
    "picture",
    [
        np.full((600, 800), 500, np.uint16),
        np.zeros((20, 30), np.float32),
        np.full((600, 800), np.nan, np.float32),
        np.zeros((3, 600, 800), np.uint8),
    ],
)
def test_what_holds_no_picture_is_survived(picture):
    """Uniform, tiny, empty and colour frames give no jumps and no error."""
    found = find_signs(picture)
    assert (found.rows, found.columns, found.slips) == ((), (), ())


def test_a_dark_has_the_same_lines_as_a_light():
    """The sensor's rows stand out at the same places without any light."""
    light, dark = sky().astype(float), sky(stars=0, slope_adu=0, noise_adu=6, level_adu=300)
    dark = dark.astype(float)
    for picture in (light, dark):
        picture[100:102] += 60
    assert places(find_signs(stored(light)).rows) == [100, 102]
    assert places(find_signs(stored(dark)).rows) == [100, 102]


def test_it_costs_little():
    """Eight megapixels take a fraction of the half second that measuring them does.

    25 ms is the aim on a free core; the bound here allows for a machine that is busy.
    """
    random = np.random.default_rng(2)
    light = 1000 + 10 * random.standard_normal((2448, 3264), np.float32)
    add_stars(light, random, 800, 10, 3.0)
    picture = stored(light)
    find_signs(picture)
    began = time.process_time()
    find_signs(picture)
    assert time.process_time() - began < 0.15
