"""Star images: a pixel-integrated Moffat profile with focus blur, trailing and a knock."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve

Image = NDArray[np.float64]
OVERSAMPLE = 8  # sub-pixel steps in which stars are placed
FINE = 20  # steps a pixel when the truth is measured: 0.05 px


@dataclass(frozen=True, slots=True)
class Psf:
    """The point spread function of one frame before the pixels integrate it."""

    fwhm_px: float  # of the Moffat core, geometric mean of the axes
    axis_ratio: float = 1.0
    angle_deg: float = 0.0  # long axis, from +x towards +y
    beta: float = 3.0
    blur_px: float = 0.0  # diameter of the out-of-focus disc
    trail_px: float = 0.0
    trail_deg: float = 0.0
    double_px: float = 0.0  # every star twice, this far apart
    double_deg: float = 0.0
    double_share: float = 0.4  # of the light, in the second place
    blur_hole: float = 0.0  # inner over outer diameter of an out-of-focus ring
    halo_share: float = 0.0  # of the light, scattered by dew on the glass
    halo_px: float = 0.0  # FWHM of that halo

    @property
    def reach_px(self) -> float:
        """How far blur, trail and knock carry light from the centre."""
        halo_px = 2.0 * self.halo_px if self.halo_share > 0.0 else 0.0
        return (self.blur_px + self.trail_px) / 2.0 + self.double_px + halo_px


@dataclass(frozen=True, slots=True)
class Shape:
    """What a perfect measurement of a drawn star would say."""

    fwhm_px: float
    axis_ratio: float
    angle_deg: float


def alpha_px(fwhm_px: float, beta: float) -> float:
    """Give the Moffat core width: FWHM = 2 alpha sqrt(2^(1/beta) - 1)."""
    return float(fwhm_px / (2.0 * math.sqrt(2.0 ** (1.0 / beta) - 1.0)))


def moffat(dx: Image, dy: Image, psf: Psf) -> Image:
    """Give the elliptical Moffat surface density of unit flux at offsets in pixels."""
    alpha = alpha_px(psf.fwhm_px, psf.beta)
    cos, sin = math.cos(math.radians(psf.angle_deg)), math.sin(math.radians(psf.angle_deg))
    along = (dx * cos + dy * sin) * math.sqrt(psf.axis_ratio) / alpha
    across = (dy * cos - dx * sin) / (math.sqrt(psf.axis_ratio) * alpha)
    density = (1.0 + along * along + across * across) ** -psf.beta
    return np.asarray((psf.beta - 1.0) / (math.pi * alpha * alpha) * density)


def _box_sum(values: Image, width: int, axis: int) -> Image:
    """Sum `width` neighbours along an axis; the result is shorter by width - 1."""
    total = np.cumsum(values, axis=axis)
    total = np.concatenate([np.zeros_like(total.take([0], axis)), total], axis=axis)
    length = total.shape[axis]
    upper = total.take(range(width, length), axis)
    return np.asarray(upper - total.take(range(length - width), axis))


def _splat(points_x: Image, points_y: Image, weights: Image, steps: int) -> Image:
    """Put weighted points (in pixels) on an odd, centred grid by bilinear sharing."""
    half = math.ceil(max(np.abs(points_x).max(), np.abs(points_y).max()) * steps) + 1
    grid = np.zeros((2 * half + 1, 2 * half + 1))
    x, y = points_x * steps + half, points_y * steps + half
    column, row = np.floor(x).astype(int), np.floor(y).astype(int)
    right, down = x - column, y - row
    np.add.at(grid, (row, column), weights * (1 - right) * (1 - down))
    np.add.at(grid, (row, column + 1), weights * right * (1 - down))
    np.add.at(grid, (row + 1, column), weights * (1 - right) * down)
    np.add.at(grid, (row + 1, column + 1), weights * right * down)
    return np.asarray(grid / grid.sum())


def _line(length_px: float, angle_deg: float, steps: int) -> Image:
    """Draw the track of a star that slides evenly along a line."""
    count = max(2, math.ceil(length_px * steps * 2))
    along = (np.arange(count) + 0.5) / count * length_px - length_px / 2.0
    angle = math.radians(angle_deg)
    return _splat(along * math.cos(angle), along * math.sin(angle), np.ones(count), steps)


def _disc(diameter_px: float, hole: float, steps: int) -> Image:
    """Draw the evenly lit out-of-focus disc of an aperture, a ring with a hole, edges smoothed."""
    half = math.ceil(diameter_px / 2.0 * steps) + 1
    offsets = np.arange(-half, half + 1) / steps
    radius = np.hypot(offsets[:, None], offsets[None, :])
    disc = np.clip((diameter_px / 2.0 - radius) * steps + 0.5, 0.0, 1.0)
    if hole > 0.0:
        disc *= np.clip((radius - hole * diameter_px / 2.0) * steps + 0.5, 0.0, 1.0)
    return np.asarray(disc / disc.sum())


def _halo(share: float, fwhm_px: float, steps: int) -> Image:
    """Draw a sharp point that has lost a share of its light to a wide Gaussian halo."""
    half = math.ceil(2.0 * fwhm_px * steps)
    offsets = np.arange(-half, half + 1) / steps
    sigma_px = fwhm_px / (2.0 * math.sqrt(2.0 * math.log(2.0)))
    line = np.exp(-0.5 * (offsets / sigma_px) ** 2)
    halo = line[:, None] * line[None, :]
    halo *= share / halo.sum()
    halo[half, half] += 1.0 - share
    return np.asarray(halo)


def _pair(distance_px: float, angle_deg: float, share: float, steps: int) -> Image:
    """Draw the two places a knocked telescope pointed at; `share` is the second's."""
    angle = math.radians(angle_deg)
    x = np.array([0.0, distance_px * math.cos(angle)])
    y = np.array([0.0, distance_px * math.sin(angle)])
    return _splat(x, y, np.array([1.0 - share, share]), steps)


def _kernels(psf: Psf, steps: int) -> list[Image]:
    kernels = []
    if psf.blur_px > 0.3:  # a smaller disc is lost in a pixel
        kernels.append(_disc(psf.blur_px, psf.blur_hole, steps))
    if psf.trail_px > 0.0:
        kernels.append(_line(psf.trail_px, psf.trail_deg, steps))
    if psf.double_px > 0.0:
        kernels.append(_pair(psf.double_px, psf.double_deg, psf.double_share, steps))
    if psf.halo_share > 0.0:
        kernels.append(_halo(psf.halo_share, psf.halo_px, steps))
    return kernels


def template(psf: Psf, steps: int, radius_px: int) -> Image:
    """Draw one star, integrated over pixels, on a grid finer than the pixels.

    Parameters
    ----------
    psf : Psf
        The profile before pixel integration.
    steps : int
        Grid steps a pixel; even.
    radius_px : int
        Half the side of the square drawn.

    Returns
    -------
    ndarray of float64, shape (2 radius steps + 1, 2 radius steps + 1)
        Share of the star's flux that falls in a pixel centred at each offset from the star.
    """
    reach = radius_px * steps + steps // 2
    offsets = (np.arange(-reach, reach) + 0.5) / steps
    density = moffat(offsets[None, :], offsets[:, None], psf) / steps**2
    shares = _box_sum(_box_sum(density, steps, 0), steps, 1)
    for kernel in _kernels(psf, steps):
        shares = fftconvolve(shares, kernel, mode="same")
    return shares


def _adaptive_moments(image: Image, steps: int) -> tuple[float, float, float]:
    """Give Gaussian-weighted second moments in square pixels, the weight matched to the star."""
    half = image.shape[0] // 2
    y, x = np.mgrid[-half : half + 1, -half : half + 1] / steps
    cx = cy = 0.0
    xx = yy = float(max(1.0, (image > image.max() / 2).sum() / steps**2 / math.pi / 1.386))
    xy = 0.0
    for _ in range(40):
        dx, dy = x - cx, y - cy
        det = xx * yy - xy * xy
        quad = (yy * dx * dx - 2 * xy * dx * dy + xx * dy * dy) / det
        weighted = image * np.exp(-0.5 * quad)
        total = weighted.sum()
        cx, cy = cx + (weighted * dx).sum() / total, cy + (weighted * dy).sum() / total
        new = [2 * (weighted * m).sum() / total for m in (dx * dx, dy * dy, dx * dy)]
        moved = abs(new[0] - xx) + abs(new[1] - yy) + abs(new[2] - xy)
        xx, yy, xy = new
        if moved < 1e-5 * (xx + yy):
            break
    return xx, yy, xy


def measured_shape(psf: Psf, steps: int = FINE) -> Shape:
    """Measure the pixel-integrated star as drawn, without noise.

    FWHM is 2 sqrt(A/pi), A the area above half maximum; axis ratio and angle come from adaptive
    second moments (Bernstein and Jarvis 2002, section 3).
    """
    image = template(psf, steps, math.ceil(2.5 * psf.fwhm_px + psf.reach_px))
    area_px2 = (image > image.max() / 2.0).sum() / steps**2
    xx, yy, xy = _adaptive_moments(image, steps)
    spread = math.hypot(xx - yy, 2.0 * xy)
    ratio = math.sqrt((xx + yy - spread) / (xx + yy + spread))
    angle = math.degrees(0.5 * math.atan2(2.0 * xy, xx - yy)) % 180.0
    return Shape(2.0 * math.sqrt(area_px2 / math.pi), ratio, angle)


@dataclass(frozen=True, slots=True)
class Optics:
    """How the star image changes over the field of a slightly curved, slightly tilted one."""

    corner_rise: float = 0.06  # FWHM at the corners over the centre
    tilt: float = 0.02  # FWHM from one side to the other
    corner_flattening: float = 0.03  # radial stretch at the corners

    def at(self, psf: Psf, u: float, v: float) -> Psf:
        """Give the PSF at a place of the field, u and v from -1 to 1."""
        r2 = (u * u + v * v) / 2.0
        width = 1.0 + self.corner_rise * r2 + self.tilt * u / 2.0
        radial = self.corner_flattening * r2
        own = (1.0 - psf.axis_ratio) / (1.0 + psf.axis_ratio)
        e1 = own * math.cos(2 * math.radians(psf.angle_deg)) + radial / 2 * math.cos(
            2 * math.atan2(v, u)
        )
        e2 = own * math.sin(2 * math.radians(psf.angle_deg)) + radial / 2 * math.sin(
            2 * math.atan2(v, u)
        )
        size = math.hypot(e1, e2)
        return replace(
            psf,
            fwhm_px=psf.fwhm_px * width,
            axis_ratio=(1.0 - size) / (1.0 + size),
            angle_deg=math.degrees(math.atan2(e2, e1)) / 2.0,
        )


ZONE_CENTRES = (-2.0 / 3.0, 0.0, 2.0 / 3.0)


def mean_psf(psf: Psf, optics: Optics) -> Psf:
    """Give the PSF an average star of the frame has: radial stretches cancel, widths do not."""
    widths = [optics.at(psf, u, v).fwhm_px for v in ZONE_CENTRES for u in ZONE_CENTRES]
    return replace(psf, fwhm_px=float(np.mean(widths)))
