"""Drawn frames against the CCD equation and aperture photometry."""

import math
from dataclasses import replace

import numpy as np
import pytest
import sep

from samples.maker import sensor
from samples.maker.draw import draw, stars_on_frame
from samples.maker.make import plan
from samples.maker.scenario import SCALES, Camera
from samples.maker.shot import Rig, Shot

SHOTS = plan(scale="small")
LIGHTS = [shot for shot in SHOTS if shot.kind == "light"]
CLEAN = next(shot for shot in LIGHTS if not shot.faults)


def _of_kind(kind: str) -> Shot:
    return next(shot for shot in SHOTS if shot.kind == kind)


def test_same_shot_same_pixels_other_seed_other_pixels() -> None:
    """Guards determinism: pixels depend on the shot and on nothing else."""
    first = draw(CLEAN).pixels
    assert np.array_equal(first, draw(CLEAN).pixels)
    assert not np.array_equal(first, draw(replace(CLEAN, seed=(1, 2, 3))).pixels)


def test_other_seed_other_sky() -> None:
    """Guards the seed of a set: another one gives another star field and other dithers."""
    other = next(shot for shot in plan(seed=8, scale="small") if shot.kind == "light")
    assert len(stars_on_frame(other).x_px) != len(stars_on_frame(LIGHTS[0]).x_px)


@pytest.mark.parametrize("kind", ["light", "dark", "bias", "flat"])
def test_noise_follows_the_ccd_equation(kind: str) -> None:
    """Guards noise: N* + npix (N_S + N_D + N_R^2), Howell, Handbook of CCD Astronomy 4.4
    (from memory); two frames that differ in noise alone are subtracted."""
    shot = CLEAN if kind == "light" else _of_kind(kind)
    pair = [draw(replace(shot, seed=(number,))) for number in (1, 2)]
    difference = pair[0].pixels.astype(float) - pair[1].pixels.astype(float)
    measured_adu = 1.4826 * np.median(np.abs(difference - np.median(difference))) / math.sqrt(2)
    camera = shot.rig.camera
    level_e = (np.median(pair[0].pixels) - camera.pedestal_adu) * camera.egain_e_adu
    expected_adu = math.sqrt(max(level_e, 0.0) + camera.read_noise_e**2) / camera.egain_e_adu
    # 222,000 pixels give the noise to 0.3 %; vignetting widens it, rounding to whole ADU and
    # the MAD of whole numbers add up to a quarter ADU.
    assert measured_adu == pytest.approx(expected_adu, rel=0.03, abs=0.25)
    assert pair[0].noise_adu == pytest.approx(expected_adu, rel=0.02)


@pytest.mark.parametrize("number", [0, 8, 12, 22])
def test_background_is_what_was_stated(number: int) -> None:
    """Guards Truth's background: the median of the frame, stars being a few per cent of it."""
    drawn = draw(LIGHTS[number])
    sigma_adu = drawn.noise_adu
    assert abs(np.median(drawn.pixels) - drawn.background_adu) < 0.35 * sigma_adu


def _aperture_fluxes(shot: Shot, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    data = draw(shot).pixels.astype(np.float32)
    data -= sep.Background(data).back()
    flux, _, _ = sep.sum_circle(data, x, y, 9.0)
    return np.asarray(flux)


def test_cloud_takes_the_share_of_light_it_should() -> None:
    """Guards transparency: aperture photometry by sep of the same stars, clear and cloudy."""
    cloudy = next(shot for shot in LIGHTS if "cloud" in shot.faults)
    assert cloudy.scene is not None
    clear = replace(cloudy, seed=(5,), scene=replace(cloudy.scene, transparency=1.0))
    stars = stars_on_frame(clear)
    good = (stars.flux_e > 2e4) & (stars.flux_e < 1.5e5)
    x, y = stars.x_px[good], stars.y_px[good]
    ratio = np.median(_aperture_fluxes(cloudy, x, y) / _aperture_fluxes(clear, x, y))
    assert ratio == pytest.approx(cloudy.scene.transparency, rel=0.05)


def test_star_flux_reaches_the_file() -> None:
    """Guards the gain: aperture ADU times e/ADU is the star's electrons times the flat field."""
    stars = stars_on_frame(CLEAN)
    good = (stars.flux_e > 2e4) & (stars.flux_e < 1.5e5)
    x, y = stars.x_px[good], stars.y_px[good]
    flat = sensor.response(CLEAN.rig.camera)[y.astype(int), x.astype(int)]
    measured_e = _aperture_fluxes(CLEAN, x, y) * CLEAN.rig.camera.egain_e_adu
    # Half a per cent of a Moffat lies outside 9 px; neighbours put some back.
    assert np.median(measured_e / (stars.flux_e[good] * flat)) == pytest.approx(1.0, abs=0.03)


def test_hot_pixels_glow_with_time_and_warmth() -> None:
    """Guards hot pixels: fixed places, 0.08 % of the sensor, twice as bright 6 C warmer."""
    camera = SCALES["small"].camera
    rate = sensor.dark_rate_e_s(camera)
    hot = rate > 10 * camera.dark_e_s
    assert hot.mean() == pytest.approx(camera.hot_share, rel=0.1)
    dark = draw(_of_kind("dark")).pixels.astype(float) - camera.pedestal_adu
    bright = (rate > 2.0) & (rate < 100.0)
    expected_adu = rate[bright] * 300.0 / camera.egain_e_adu
    assert np.median(dark[bright] / expected_adu) == pytest.approx(1.0, abs=0.03)
    assert sensor.dark_factor(camera, -4.0) == pytest.approx(2.0)


def test_cosmic_rays_come_at_their_rate() -> None:
    """Guards cosmic rays: hits grow with area and time (here 3 per cm2 and minute)."""
    camera = Camera()
    rng = np.random.default_rng(3)
    frame = np.zeros(camera.shape, dtype=np.float32)
    hits = [sensor.add_cosmic_rays(frame, camera, 300.0, rng) for _ in range(200)]
    area_cm2 = camera.rows * camera.columns * (4.8e-4) ** 2
    assert np.mean(hits) == pytest.approx(3.0 * area_cm2 * 5.0, rel=0.2)  # 3 sigma is 0.1


def test_flats_are_darker_in_the_corners() -> None:
    """Guards vignetting and level: centre near 26,000 ADU, corners an eighth or more below."""
    flat = draw(_of_kind("flat")).pixels.astype(float)
    rows, columns = flat.shape
    centre = np.median(flat[rows // 2 - 20 : rows // 2 + 20, columns // 2 - 20 : columns // 2 + 20])
    assert centre == pytest.approx(26000, rel=0.04)
    assert np.median(flat[:30, :30]) < 0.88 * centre


def test_bright_stars_saturate_at_the_top() -> None:
    """Guards the ceiling: 16 bits unsigned end at 65535 (FITS Standard 4.0, BZERO 32768)."""
    pixels = draw(CLEAN).pixels
    assert pixels.max() == 65535
    assert 0 < (pixels == 65535).sum() < 300


def _stars_found(shot: Shot) -> int:
    """Count what sep finds: five pixels or more above 2.5 sigma, about 5 sigma as a whole.

    Unfiltered, lest hot pixels grow into stars.
    """
    data = draw(shot).pixels.astype(np.float32)
    background = sep.Background(data)
    data -= background.back()
    noise = background.globalrms
    return len(sep.extract(data, 2.5, err=noise, minarea=5, filter_kernel=None))


def test_fields_show_enough_stars() -> None:
    """Guards the star counts that sep finds: 300 to 800 in L, far fewer in H-alpha."""
    lights = [shot for shot in plan(scale="demo") if shot.kind == "light"]
    broad, narrow = (
        _stars_found(next(s for s in lights if s.band and s.band.key == key)) for key in ("L", "Ha")
    )
    assert 300 <= broad <= 800
    assert 40 <= narrow < broad / 2


def test_field_turns_round_with_the_telescope() -> None:
    """Guards the flip: a star of the same field lies mirrored through the frame's centre."""
    shot = CLEAN
    assert shot.scene is not None
    place = replace(shot.scene.place, shift_x_px=0.0, shift_y_px=0.0, rotation_deg=0.0)
    one, other = (
        stars_on_frame(replace(shot, scene=replace(shot.scene, place=replace(place, **turned))))
        for turned in ({}, {"rotation_deg": 180.0})
    )
    rows, columns = Rig(camera=shot.rig.camera).camera.shape
    assert np.allclose(one.x_px, columns - 1 - other.x_px)
    assert np.allclose(one.y_px, rows - 1 - other.y_px)
