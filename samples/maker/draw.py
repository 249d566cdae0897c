"""A planned frame becomes pixels, and the numbers that a measurement of them should find."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import sensor, spoil
from .psf import mean_psf, measured_shape
from .scenario import FILTERS, Filter
from .shot import Scene, Shot
from .stars import (
    Frame,
    Vector,
    draw_stars,
    draw_streak,
    glow_e_s,
    glow_map,
    make_field,
    place_glow,
    star_fluxes_e_s,
    zero_point_e_s,
)


@dataclass(frozen=True, slots=True)
class DrawnStars:
    """Stars whose centres lie on the frame: 0-based unbinned pixels and electrons."""

    x_px: Vector
    y_px: Vector
    flux_e: Vector


@dataclass(frozen=True, slots=True)
class Drawn:
    """Pixels and what they were drawn with."""

    pixels: NDArray[np.uint16]
    sky_adu: float  # median sky light, without pedestal, dark current and glow
    background_adu: float  # median of everything but stars
    noise_adu: float  # of a pixel at the background, by the CCD equation


def field_key(shot: Shot, scene: Scene) -> int:
    """Give the seed of a target's field: the same on every night of one making."""
    return shot.field_seed * 1000 + sum(scene.target.key.encode())


def zero_point(shot: Shot, band: Filter) -> float:
    """Give electrons a second from magnitude 0 outside the atmosphere."""
    telescope = shot.rig.telescope
    return zero_point_e_s(band, telescope.area_cm2, telescope.throughput)


def stars_on_frame(shot: Shot, margin_px: float = 0.0) -> DrawnStars:
    """List the stars of a light frame with the electrons each leaves, before the flat field."""
    scene = shot.scene
    if scene is None:
        return DrawnStars(np.empty(0), np.empty(0), np.empty(0))
    band = shot.band or FILTERS["L"]
    shape = shot.rig.camera.shape
    field = make_field(field_key(shot, scene), shape, scene.stars, scene.margin_px)
    x, y = scene.place.to_frame(field.x_px, field.y_px, shape)
    flux_e = star_fluxes_e_s(field, band, zero_point(shot, band))
    flux_e = flux_e * shot.exposure_s * scene.transparency * scene.extinction
    if scene.shade is not None:
        flux_e = flux_e * scene.shade.leaves(x, y, shape)
    on = (x > -margin_px) & (x < shape[1] - 1 + margin_px)
    on &= (y > -margin_px) & (y < shape[0] - 1 + margin_px)
    return DrawnStars(x[on], y[on], flux_e[on])


def _add_glow(frame_e: Frame, shot: Shot, scene: Scene, band: Filter) -> None:
    rig = shot.rig
    key = field_key(shot, scene)
    glow = glow_map(scene.target.glow, key, rig.camera.shape, rig.arcsec_px, scene.margin_px)
    peak = glow_e_s(scene.target, band, zero_point(shot, band), rig.arcsec_px**2)
    peak_e = peak * shot.exposure_s * scene.transparency * scene.extinction
    if peak_e > 0.0:
        frame_e += np.float32(peak_e) * place_glow(glow, scene.place, rig.camera.shape)


def _sky_e(shot: Shot, scene: Scene) -> Frame:
    """Give the sky over the frame: a level and a slope."""
    rows, columns = shot.rig.camera.shape
    level = scene.sky_e_s * shot.exposure_s
    across = scene.gradient[0] * np.linspace(-0.5, 0.5, columns)[None, :]
    up = scene.gradient[1] * np.linspace(-0.5, 0.5, rows)[:, None]
    return np.asarray(level * (1.0 + across + up), dtype=np.float32)


def _light(shot: Shot) -> tuple[Frame, Frame]:
    """Give the light on the sensor in electrons: all of it, and all but stars and trails."""
    camera = shot.rig.camera
    scene = shot.scene
    if scene is None:
        even = np.full(camera.shape, shot.light_e, dtype=np.float32)
        return even, even
    diffuse = _sky_e(shot, scene)
    if scene.glow:
        _add_glow(diffuse, shot, scene, shot.band or FILTERS["L"])
    if scene.shade is not None:
        diffuse *= scene.shade.sky(camera.shape)
    everything = diffuse.copy()
    stars = stars_on_frame(shot, margin_px=100.0)
    draw_stars(everything, stars.x_px, stars.y_px, stars.flux_e, scene.psf, shot.rig.optics)
    for number, ends in enumerate(scene.streaks):
        draw_streak(everything, ends, 260.0 + 140.0 * number, scene.psf.fwhm_px + 0.4)
    return everything, diffuse


def _levels(shot: Shot, diffuse: Frame) -> tuple[float, float, float]:
    """Give sky, background and noise in ADU, as binned."""
    camera, binning = shot.rig.camera, shot.binning
    flat = sensor.response(camera)[::4, ::4]
    dark_e = camera.dark_e_s * sensor.dark_factor(camera, shot.sensor_c) * shot.exposure_s
    background_e = float(np.median(diffuse[::4, ::4] * flat) + dark_e) * binning**2
    sky_e = 0.0
    if shot.scene is not None:
        sky_e = float(np.median(_sky_e(shot, shot.scene)[::4, ::4] * flat)) * binning**2
    return (
        sky_e / camera.egain_e_adu,
        camera.pedestal_adu + background_e / camera.egain_e_adu,
        math.sqrt(background_e + camera.read_noise_e**2) / camera.egain_e_adu,
    )


def draw(shot: Shot) -> Drawn:
    """Draw one frame; the same shot gives the same pixels."""
    camera = shot.rig.camera
    rng = np.random.default_rng(shot.seed)
    light, diffuse = _light(shot)
    levels = _levels(shot, diffuse)
    frame_e = light * sensor.response(camera)
    dark_s = np.float32(sensor.dark_factor(camera, shot.sensor_c) * shot.exposure_s)
    frame_e += sensor.dark_rate_e_s(camera) * dark_s
    sensor.add_cosmic_rays(frame_e, camera, shot.exposure_s, rng)
    frame_e = sensor.bin_sum(frame_e, shot.binning)
    pixels = sensor.read_out(frame_e, camera, shot.binning, rng)
    if shot.glitch is not None:
        spoil.break_read_out(pixels, shot.glitch, rng)
    return Drawn(pixels, *levels)


def star_shape(shot: Shot) -> tuple[float, float, float] | None:
    """Give FWHM in px as binned, axis ratio and angle of the frame's average star."""
    if shot.scene is None:
        return None
    shape = measured_shape(mean_psf(shot.scene.psf, shot.rig.optics))
    return shape.fwhm_px / shot.binning, shape.axis_ratio, shape.angle_deg
