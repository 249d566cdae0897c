"""The light of the sky over a labelled frame, and how bright it is against a dark night."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from samples.maker.scenario import Filter, Target
from samples.maker.sky import (
    Circumstances,
    brightness_mag,
    magnitudes,
    nanolamberts,
    twilight_nl,
)
from samples.maker.stars import glow_e_s, glow_map, zero_point_e_s

from .mount import Mount
from .rigs import GLOWING, MARGIN_PX, PLACES

FIELD_SEED = 7
TOWN, FAR = 1.1, -0.35  # what full cloud adds to the sky over a town and far from one
FAINTEST_DAWN = nanolamberts(magnitudes(20.0))  # 20 nL of twilight are seen in no frame


@dataclass(frozen=True, slots=True)
class SkyLight:
    """Diffuse light: electrons a second and pixel as drawn, and what makes it what it is."""

    e_s: float
    ratio: float  # over the same frame on a moonless night, without lamps and cloud
    comes_from: str  # moon, dawn, lamp or nothing


@lru_cache(maxsize=16)
def _glow_share(key: str, arcsec_px: float, shape: tuple[int, int]) -> float:
    """Give the middle of a target's glow over a frame against its peak."""
    seed = FIELD_SEED * 1000 + sum(key.encode())
    glow = glow_map(PLACES[key].glow, seed, shape, arcsec_px, MARGIN_PX)
    middle, reach = glow.shape[0] // 2, shape[1] // 16
    part = slice(middle - reach, middle + reach)
    return float(np.median(glow[part, part]))


def sky_light(mount: Mount, target: Target, band: Filter, at: Circumstances) -> SkyLight:
    """Work out the sky of the next frame."""
    rig, script, number = mount.rig.rig, mount.script, mount.taken
    zero = zero_point_e_s(band, rig.telescope.area_cm2, rig.telescope.throughput)
    lit, dark = (zero * 10 ** (-0.4 * mag) * rig.arcsec_px**2 for mag in brightness_mag(at, band))
    always = rig.camera.dark_e_s
    if target.key in GLOWING:
        peak = glow_e_s(target, band, zero, rig.arcsec_px**2)
        share = _glow_share(target.key, rig.arcsec_px, rig.camera.shape)
        always += peak * extinction(band, at) * share
    # A lamp multiplies all diffuse light, so that the factor is what a measurement sees.
    lamp = script.lamp(number)
    open_sky = lit + (lamp - 1.0) * (lit + always)
    thrown_back = 1.0 + (TOWN if script.town else FAR) * (1.0 - script.cloud_left(number))
    ratio = (open_sky + always) / (dark + always)
    return SkyLight(open_sky * thrown_back, ratio, _brightener(at, lamp))


def extinction(band: Filter, at: Circumstances) -> float:
    """Give what the air leaves of the light."""
    return float(10 ** (-0.4 * band.extinction_mag * at.airmass))


def _brightener(at: Circumstances, lamp: float) -> str:
    if lamp > 1.0:
        return "lamp"
    if at.sun_alt_deg > -18.0 and twilight_nl(at.sun_alt_deg) > FAINTEST_DAWN:
        return "dawn"
    return "moon" if at.moon_alt_deg > 0 else ""


def gradient(mount: Mount, at: Circumstances) -> tuple[float, float]:
    """Slope the sky: more of it low down, under the Moon, and through patchy cloud."""
    low, moon = 0.03 * at.airmass, 0.04 if at.moon_alt_deg > 0 else 0.0
    patchy = 0.2 * (1.0 - mount.script.cloud_left(mount.taken))
    x, y = mount.rng.normal(0.0, 0.4, 2)
    return float((low + moon) * (1 + 0.2 * x) + patchy * x), float(low * (1 + 0.2 * y) + patchy * y)
