"""The camera: uneven response, dark current, hot pixels, cosmic rays, noise and digitising."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter

from .scenario import Camera

Frame = NDArray[np.float32]
CORNER_FALLOFF = 0.16


def _radius(camera: Camera) -> Frame:
    """Give the distance from the centre, 1 in the corners."""
    rows = np.linspace(-1.0, 1.0, camera.rows, dtype=np.float32)[:, None]
    columns = np.linspace(-1.0, 1.0, camera.columns, dtype=np.float32)[None, :]
    ratio = camera.rows / camera.columns
    return np.asarray(np.sqrt((columns**2 + (rows * ratio) ** 2) / (1.0 + ratio**2)))


def _shade_dust(response: Frame, camera: Camera, rng: np.random.Generator) -> None:
    """Darken the response under dust: wide soft rings, as an f/6 beam throws them."""
    for _ in range(7):
        row, column = rng.uniform(0, camera.rows), rng.uniform(0, camera.columns)
        size, depth = rng.uniform(9.0, 26.0), rng.uniform(0.015, 0.06)
        y0, y1 = max(0, int(row - 2 * size)), int(row + 2 * size)
        x0, x1 = max(0, int(column - 2 * size)), int(column + 2 * size)
        part = response[y0:y1, x0:x1]
        dy = np.arange(y0, y0 + part.shape[0])[:, None] - row
        dx = np.arange(x0, x0 + part.shape[1])[None, :] - column
        radius = np.hypot(dx, dy) / size
        ring = 1.0 / (1.0 + np.exp((radius - 1.0) * 12.0))
        hole = 0.6 / (1.0 + np.exp((radius - 0.45) * 12.0))
        part *= (1.0 - depth * (ring - hole)).astype(np.float32)


@lru_cache(maxsize=3)
def response(camera: Camera) -> Frame:
    """Give what a flat shows, 1 at the centre: fall-off to the corners, dust, pixel response."""
    rng = np.random.default_rng([camera.serial, 11])
    shade = 1.0 - CORNER_FALLOFF * _radius(camera) ** 2
    flat = np.asarray(shade, dtype=np.float32)
    _shade_dust(flat, camera, rng)
    flat *= 1.0 + np.float32(0.006) * rng.standard_normal(camera.shape, dtype=np.float32)
    return flat


@lru_cache(maxsize=3)
def dark_rate_e_s(camera: Camera) -> Frame:
    """Give every pixel's dark current at -10 C, hot pixels among them."""
    rng = np.random.default_rng([camera.serial, 22])
    rate = np.full(camera.shape, camera.dark_e_s, dtype=np.float32)
    count = round(camera.hot_share * rate.size)
    rows, columns = rng.integers(0, camera.rows, count), rng.integers(0, camera.columns, count)
    rate[rows, columns] += rng.lognormal(math.log(0.5), 1.7, count).astype(np.float32)
    return rate


@lru_cache(maxsize=3)
def pattern_adu(camera: Camera) -> Frame:
    """Give the fixed bias pattern by column: a column offset and a slow wave."""
    rng = np.random.default_rng([camera.serial, 33])
    wave = gaussian_filter(rng.standard_normal(camera.columns), 60.0, mode="wrap")
    columns = 0.4 * rng.standard_normal(camera.columns) + 0.6 * wave / wave.std()
    return np.asarray(columns[None, :], dtype=np.float32)


def dark_factor(camera: Camera, sensor_c: float) -> float:
    """Give dark current against -10 C: it doubles every few degrees."""
    return float(2.0 ** ((sensor_c + 10.0) / camera.dark_doubling_c))


def add_cosmic_rays(
    frame_e: Frame, camera: Camera, exposure_s: float, rng: np.random.Generator
) -> int:
    """Add cosmic-ray hits in electrons, most a pixel or two, some a short track; count them."""
    area_cm2 = frame_e.size * (camera.pixel_um * 1e-4) ** 2
    hits = int(rng.poisson(camera.cosmic_cm2_min * area_cm2 * exposure_s / 60.0))
    for _ in range(hits):
        _cosmic_ray(frame_e, rng)
    return hits


def _cosmic_ray(frame_e: Frame, rng: np.random.Generator) -> None:
    row, column = rng.uniform(0, frame_e.shape[0]), rng.uniform(0, frame_e.shape[1])
    angle, length = rng.uniform(0, 2 * math.pi), min(rng.exponential(3.0), 40.0)
    charge = float(rng.lognormal(math.log(1200.0), 0.7))
    steps = max(1, math.ceil(length * 4))
    along = (np.arange(steps) + 0.5) / steps * length
    rows = np.floor(row + along * math.sin(angle)).astype(int)
    columns = np.floor(column + along * math.cos(angle)).astype(int)
    inside = (rows >= 0) & (rows < frame_e.shape[0])
    inside &= (columns >= 0) & (columns < frame_e.shape[1])
    share = charge * (1.0 + length / 3.0) / steps
    np.add.at(frame_e, (rows[inside], columns[inside]), np.float32(share))


def bin_sum(frame: Frame, binning: int) -> Frame:
    """Add up blocks of pixels, dropping an odd edge."""
    if binning == 1:
        return frame
    rows, columns = frame.shape[0] // binning, frame.shape[1] // binning
    blocks = frame[: rows * binning, : columns * binning]
    return np.asarray(blocks.reshape(rows, binning, columns, binning).sum(axis=(1, 3)))


def read_out(
    frame_e: Frame, camera: Camera, binning: int, rng: np.random.Generator
) -> NDArray[np.uint16]:
    """Turn expected electrons into digital numbers: shot noise, read noise, pedestal, ceiling."""
    sigma = np.sqrt(np.maximum(frame_e, 0.0) + np.float32(camera.read_noise_e**2))
    noise = rng.standard_normal(frame_e.shape, dtype=np.float32)
    noise *= sigma
    noise += frame_e
    noise *= np.float32(1.0 / camera.egain_e_adu)
    noise += np.float32(camera.pedestal_adu)
    if binning == 1:
        noise += pattern_adu(camera)
    np.rint(noise, out=noise)
    np.clip(noise, 0, camera.saturation_adu, out=noise)
    return noise.astype(np.uint16)
