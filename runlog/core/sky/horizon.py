"""Above or below the horizon: when Sun and Moon are up, and the Sun's height in words."""

from collections.abc import Sequence

# Altitude of the centre of Sun or Moon when its upper limb is on the horizon: 34 arcmin of
# refraction and 16 of radius (USNO's definition of rising and setting).
LIMB_DEG = -0.83


def sun_words(altitude_deg: float) -> str:
    """Say where the Sun stands: "the Sun 11 degrees below the horizon"."""
    return f"the Sun {_degrees(altitude_deg)} {_side(altitude_deg)} the horizon"


def sun_span(altitudes_deg: Sequence[float]) -> str:
    """Say between which heights the Sun stood."""
    low, high = min(altitudes_deg), max(altitudes_deg)
    if round(low) == round(high):
        return f"{_degrees(high)} {_side(high)} the horizon"
    if (round(low) < 0) == (round(high) < 0):
        near, far = sorted((abs(low), abs(high)))
        return f"{near:.0f} to {far:.0f} degrees {_side(low)} the horizon"
    return f"between {_degrees(low)} {_side(low)} and {_degrees(high)} {_side(high)} the horizon"


def _degrees(altitude_deg: float) -> str:
    size = abs(round(altitude_deg))
    return f"{size} degree{'s' * (size != 1)}"


def _side(altitude_deg: float) -> str:
    return "below" if round(altitude_deg) < 0 else "above"
