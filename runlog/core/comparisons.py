"""Comparisons in plain words: `fwhm > 2.1`, `ecc>=0.2`, `stars fewer than 50`, `length = 5 min`."""

import re

# "wider than 3": the comparison of one measure.
COMPARED = {
    "wider": ("above", "fwhm_px"),
    "narrower": ("below", "fwhm_px"),
    "sharper": ("below", "fwhm_px"),
    "rounder": ("below", "eccentricity"),
    "longer": ("above", "exposure_s"),
    "shorter": ("below", "exposure_s"),
    "brighter": ("above", "background_adu"),
    "darker": ("below", "background_adu"),
    "higher": ("below", "airmass"),
    "lower": ("above", "airmass"),
    "noisier": ("above", "noise_adu"),
    "clearer": ("above", "transparency"),
    "hazier": ("below", "transparency"),
}
COUNTED = {
    "more": "above", "over": "above", "above": "above", "greater": "above",
    "fewer": "below", "less": "below", "under": "below", "below": "below",
    "least": "least", "most": "most",  # after "at"
}  # fmt: skip
OPERATORS = {
    ">": "above", ">=": "least", "=>": "least", "≥": "least",
    "<": "below", "<=": "most", "=<": "most", "≤": "most",
    "=": "equal", "==": "equal",
}  # fmt: skip
TURNED = {"above": "below", "below": "above", "least": "most", "most": "least", "equal": "equal"}
MEASURE_WORDS = {
    "fwhm": "fwhm_px",
    "width": "fwhm_px",
    "ecc": "eccentricity",
    "eccentricity": "eccentricity",
    "stars": "stars",
    "sky": "background_adu",
    "background": "background_adu",
    "noise": "noise_adu",
    "radius": "hfr_px",
    "length": "exposure_s",
    "exposure": "exposure_s",
    "airmass": "airmass",
    "transparency": "transparency",
    "moonheight": "moon_alt_deg",
    "sensor": "sensor_c",
    "focuser": "focus_c",
}
MEASURE_WORDS |= {column: column for column in MEASURE_WORDS.values()}
_UNITS = {
    "fwhm_px": {"px": 1.0, "pixels": 1.0},
    "hfr_px": {"px": 1.0, "pixels": 1.0},
    "exposure_s": {"s": 1.0, "sec": 1.0, "seconds": 1.0, "min": 60.0, "minutes": 60.0, "h": 3600.0},
    "background_adu": {"adu": 1.0},
    "noise_adu": {"adu": 1.0},
    "transparency": {"%": 0.01},
    "sensor_c": {"c": 1.0, "°c": 1.0, "°": 1.0},
    "focus_c": {"c": 1.0, "°c": 1.0, "°": 1.0},
    "moon_alt_deg": {"°": 1.0, "deg": 1.0},
}
_AMOUNT = re.compile(r"([-+]?(?:\d+\.?\d*|\.\d+))(\D*)$")
WORD = re.compile(r'"[^"]*"|[<>=≤≥]+|[^\s<>=≤≥]+')  # "M 33" in quotes is one name


def amount(word: str) -> tuple[float, str] | None:
    """Read `2.1`, `2.1px`, `5min` as number and unit; None for anything else."""
    found = _AMOUNT.match(word)
    return (float(found[1]), found[2]) if found else None


def factor(column: str, unit: str) -> float | None:
    """Give what a unit is worth in the column's own; None where it is no unit of it."""
    return 1.0 if not unit else _UNITS.get(column, {}).get(unit)
