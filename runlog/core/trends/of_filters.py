"""What one run gives in one filter and setting: numbers, or the words why there is none."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from math import isfinite, sqrt
from statistics import median

from runlog.core.grading.baseline import low, sky_brought_to_zenith
from runlog.core.grading.summary import RunSummary
from runlog.core.trends.numbers import LightNumbers

NumberOrWhy = float | str

FEWEST_KEPT = 8  # frames: of fewer one odd frame is the run
NIGHT_SUN_DEG = -18.0  # astronomical twilight is over
# Where the sky makes more of the noise, what is left is the error of the sky.
LEAST_SHARE_BEYOND = 0.1
FEW_KEPT = f"fewer than {FEWEST_KEPT} kept frames"


@dataclass(frozen=True, slots=True)
class FilterRun:
    """The kept frames of a run in a filter and setting, and what was summed up of them."""

    kept: Sequence[LightNumbers]
    summary: RunSummary | None


def fwhm(of: FilterRun) -> NumberOrWhy:
    """Give the usual width at airmass 1, in arc seconds."""
    if of.summary is None or of.summary.fwhm_px is None:
        return "no width can be told"
    scale = _middle(f.arcsec_per_px for f in of.kept)
    return "no plate scale is known" if scale is None else of.summary.fwhm_px * scale


def elongation(of: FilterRun) -> NumberOrWhy:
    """Give how far stars were stretched alike, whichever way; both sides of the pier together."""
    sides = of.summary.elongations if of.summary else ()
    frames = sum(side.frames for side in sides)
    if not frames:
        return "too few stars to tell a stretch"
    return sum(abs(side.ellipticity) * side.frames for side in sides) / frames


def sky_adu_s(of: FilterRun) -> NumberOrWhy:
    """Give the darkest quarter at airmass 1 of frames in the dark with the Moon down."""
    if all(f.sky_adu is None for f in of.kept):
        return "the level without light is unknown"
    if all(f.moon_alt_deg is None for f in of.kept):
        return "Sun and Moon are unknown, because the place or the time is"
    rate = low(_dark_rates(of.kept))
    if rate is None:
        return "too few frames in the dark with the Moon down"
    return rate if rate > 0 else "the sky lies at the level without light"


def _dark_rates(frames: Iterable[LightNumbers]) -> Iterable[float]:
    for f in frames:
        sun, moon = f.sun_alt_deg, f.moon_alt_deg
        dark = sun is not None and sun < NIGHT_SUN_DEG and moon is not None and moon < 0
        if dark and f.sky_adu is not None and f.exposure_s:
            rate = f.sky_adu / f.exposure_s
            yield rate if f.airmass is None else sky_brought_to_zenith(rate, f.airmass, f.filter)


def noise_e(of: FilterRun) -> NumberOrWhy:
    """Give the noise of a pixel that the sky's own light does not explain, in electrons."""
    raw = [f for f in of.kept if f.raw and f.noise_adu is not None]
    if not raw:
        return "the frames are not raw"
    if all(not f.egain_e_adu for f in raw):
        return "electrons per ADU are unknown"
    if all(f.sky_adu is None for f in raw):
        return "the level without light is unknown"
    found = low(_noise_beyond(raw))
    return "the sky makes more than nine tenths of the noise" if found is None else found


def _noise_beyond(frames: Iterable[LightNumbers]) -> Iterable[float]:
    """Take what the sky brings by Poisson's law off the variance."""
    for f in frames:
        if f.noise_adu is not None and f.sky_adu is not None and f.egain_e_adu:
            beyond = f.noise_adu**2 - max(f.sky_adu, 0.0) / f.egain_e_adu
            if beyond >= LEAST_SHARE_BEYOND * f.noise_adu**2 > 0:
                yield sqrt(beyond) * f.egain_e_adu


def _middle(values: Iterable[float | None]) -> float | None:
    known = [value for value in values if value is not None and isfinite(value)]
    return float(median(known)) if known else None


def _of_shape(value: Callable[[LightNumbers], float | None]) -> Callable[[FilterRun], NumberOrWhy]:
    def told(of: FilterRun) -> NumberOrWhy:
        known = [value(f) for f in of.kept]
        if sum(v is not None for v in known) < FEWEST_KEPT:
            return f"fewer than {FEWEST_KEPT} kept frames have stars enough over the field"
        middle = _middle(known)
        return "nothing finite was measured" if middle is None else middle

    return told


eccentricity = _of_shape(lambda f: f.eccentricity)
tilt = _of_shape(lambda f: f.tilt)
curvature = _of_shape(lambda f: f.curvature)
