"""How exactly the focus must be met: by the sweep, by diffraction, by what frames show."""

from dataclasses import dataclass
from math import sqrt

# Wavelength in the middle of what a filter passes, nm (common practice; of the lines, from memory).
WAVELENGTH_NM = {
    "L": 550.0, "R": 640.0, "G": 530.0, "B": 450.0, "Ha": 656.3, "OIII": 500.7, "SII": 672.4,
    "Hb": 486.1, "NII": 658.3,
}  # fmt: skip
GREEN_NM = 550.0
QUARTER_WAVE = "quarter wave: 2 lambda N^2 to each side"
# Half-flux radius over half of the disc's diameter: all of it lit, and half of it obstructed.
_FULL_DISC, _RING = sqrt(0.5), sqrt((1 + 0.5**2) / 2)


@dataclass(frozen=True, slots=True)
class Zone:
    """The quarter-wave zone to each side, um and steps; or why it is unknown."""

    um: float | None = None
    steps_low: float | None = None
    steps_high: float | None = None
    rule: str = QUARTER_WAVE
    reason: str | None = None


def quarter_wave_um(wavelength_nm: float, ratio: float) -> float:
    """Give the defocus, um to each side, that bends the wave by a quarter at its edge.

    Rayleigh's quarter wave: W = dz / (8 N^2) = lambda / 4. The Strehl ratio is then
    (sin(pi/4) / (pi/4))^2 = 0.8106.
    """
    return 2 * wavelength_nm / 1000 * ratio**2


def step_um(slope_px: float, pixel_um: float, ratio: float) -> tuple[float, float]:
    """Give how far one step moves the focus, um: for an obstruction of half, and for none.

    A disc of diameter dz / N has half of its light within sqrt((1 + e^2) / 2) of its radius, e
    being the obstruction.
    """
    moved = slope_px * pixel_um * 2 * ratio
    return moved / _RING, moved / _FULL_DISC


def zone_of(
    filter_name: str,
    focal_mm: float | None,
    aperture_mm: float | None,
    slope_px: float | None,
    pixel_um: float | None,
) -> Zone:
    """Reckon the quarter-wave zone of a rig through a filter."""
    if not focal_mm:
        return Zone(reason="no header tells the focal length")
    if not aperture_mm:
        return Zone(reason="no header tells the aperture (APTDIA)")
    ratio = focal_mm / aperture_mm
    um = quarter_wave_um(WAVELENGTH_NM.get(filter_name, GREEN_NM), ratio)
    if not slope_px or not pixel_um:
        return Zone(um)
    low, high = step_um(slope_px, pixel_um, ratio)
    return Zone(um, um / high, um / low)


def off_by(width_px: float, best_px: float, slope_px: float) -> float:
    """Give how far from focus frames are, by a wider width: steps, the side unknown."""
    return sqrt(max(width_px**2 - best_px**2, 0.0)) / slope_px
