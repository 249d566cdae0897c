"""What moonlight takes from a minute, filter by filter: learned from the rig, else a default.

One formula for all filters. A narrow band's share of moonlight is that of the dark sky, for its
width cancels; what shelters it is its colour, and read noise and dark current where these are a
larger part of its noise.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import exp, sqrt
from typing import NamedTuple

import numpy as np

from runlog.core.columns import plural
from runlog.core.robust import MAD_TO_SIGMA
from runlog.core.sky.earth import Floats
from runlog.core.sky.moonlight import MOONLESS_NL, NEAREST_DEG, V_EXTINCTION_MAG

# Moonlight over dark sky in a band, against V: 10^(0.4 (dark - bright)) - 1 of the sky brightness
# at 0 and 14 days of the Moon that the exposure-time calculator of the Telescopio Nazionale Galileo
# publishes (www.tng.iac.es/info/la_palma_sky.html), interpolated in the logarithm over wavelength.
# It calls its moonlight very uncertain: a prior.
KAPPA = {
    "L": 1.0, "Clear": 1.0, "R": 0.60, "G": 1.08, "B": 1.42, "Ha": 0.54, "SII": 0.52, "NII": 0.54,
    "OIII": 1.20, "Hb": 1.26, "V": 1.0, "Johnson B": 1.42, "g'": 1.2, "r'": 0.65, "Rc": 0.60,
    "i'": 0.50, "Ic": 0.45,
}  # fmt: skip
UNKNOWN_KAPPA = 1.0  # as in V
ASSUMED_DARK_MAG = 21.0
ENOUGH_FRAMES, ENOUGH_NIGHTS, WORST_ERROR = 20, 3, 0.30
SOME_FRAMES = 5  # of two nights: the default leans on them
TUKEY = 4.685  # 95 % efficient on normal noise (Beaton and Tukey 1974)
ROUNDS = 20


def kappa_of(filter_name: str) -> float:
    """Give how much moonlight is in a filter's sky against V; a bandwidth has its line's."""
    return KAPPA.get(filter_name, KAPPA.get(filter_name.split(" ")[0], UNKNOWN_KAPPA))


def nanolamberts(v_mag: float) -> float:
    """Turn V magnitudes per square arc second into nanolamberts (Krisciunas and Schaefer 1991)."""
    return 34.08 * exp(20.7233 - 0.92104 * v_mag)


def moonlight_nl(
    phase_deg: Floats, apart_deg: Floats, moon_alt_deg: Floats, alt_deg: Floats
) -> Floats:
    """Compute moonlight in the V sky in nanolamberts over arrays that broadcast; 0 with it down.

    Krisciunas and Schaefer 1991, PASP 103, 1033. As `core.sky.moonlight`, which does one at a time.
    """
    a, k = np.abs(phase_deg), V_EXTINCTION_MAG
    illuminance = 10 ** (-0.4 * (3.84 + 0.026 * a + 4e-9 * a**4))
    near = np.maximum(apart_deg, 0.25)  # no nearer than its limb
    mie = np.where(apart_deg < NEAREST_DEG, 6.2e7 / near**2, 10 ** (6.15 - apart_deg / 40))
    scattering = 10**5.36 * (1.06 + np.cos(np.radians(apart_deg)) ** 2) + mie
    reaching = 10 ** (-0.4 * k * _air(moon_alt_deg))
    light = scattering * illuminance * reaching * (1 - 10 ** (-0.4 * k * _air(alt_deg)))
    return np.asarray(np.where(np.asarray(moon_alt_deg) > 0, light, 0.0))


def _air(alt_deg: Floats) -> Floats:
    sine = np.sin(np.radians(np.clip(alt_deg, 0, 90)))
    return np.asarray((1 - 0.96 * (1 - sine**2)) ** -0.5)


def dark_air(airmass: Floats, extinction_mag: float) -> Floats:
    """Give how a dark sky brightens with airmass: more air that glows, dimmed on its way."""
    return np.asarray(airmass * 10 ** (-0.4 * extinction_mag * (airmass - 1)))


# --- learned --------------------------------------------------------------------------------


class Seen(NamedTuple):
    """The sky of one kept, cloud-free frame under a dark Sun."""

    night: str
    rate: float  # of the sky: electrons (or ADU) a second and pixel
    noise: float | None  # its variance in the same time, electrons^2; None where it is not known
    airmass: float
    moon_nl: float


@dataclass(frozen=True, slots=True)
class MoonLaw:
    """A filter's dark sky, what else makes noise, and how its sky takes moonlight."""

    dark: float | None  # electrons a second and pixel at airmass 1; None where it is not known
    other: float  # variance of read noise and dark current in the same unit
    moon_to_dark: float  # a nanolambert of moonlight over the dark sky
    moon_from: str
    learned: bool = False
    error: float | None = None  # standard error of the slope, relative
    dark_from: str = "learned"  # learned, configured, assumed

    def sky_ratio(self, moon_nl: Floats | float) -> Floats:
        """Give the sky over the dark one."""
        return np.asarray(1 + self.moon_to_dark * moon_nl)

    def factor(self, moon_nl: Floats, air: Floats | float = 1.0) -> Floats:
        """Give the share of a dark minute's depth that is left, 0 to 1.

        `air` is the dark sky's brightness over that at airmass 1.
        """
        d = (self.dark if self.dark is not None else 1.0) * np.asarray(air)
        n = self.other if self.dark is not None else 0.0
        moon = (self.dark if self.dark is not None else 1.0) * self.moon_to_dark * moon_nl
        return np.asarray((d + n) / (d + moon + n))


def moon_law(
    seen: Sequence[Seen], filter_name: str, extinction_mag: float, dark_sky_mag: float | None
) -> MoonLaw:
    """Find how a filter's sky takes moonlight, from a rig's own frames where there are enough.

    rate = a g(X) + b B, B the moonlight of Krisciunas and Schaefer; non-negative least squares with
    Tukey's weights. Used with 20 frames in moonlight of 3 nights and an error of b under 30 %;
    with fewer the default, leaning towards b where five frames of two nights tell something.
    """
    dark_nl = nanolamberts(ASSUMED_DARK_MAG if dark_sky_mag is None else dark_sky_mag)
    default = kappa_of(filter_name) / dark_nl
    dark_from = "assumed" if dark_sky_mag is None else "configured"
    lit = [s for s in seen if s.moon_nl > MOONLESS_NL]
    nights = len({s.night for s in lit})
    fitted = _fit(seen, extinction_mag)
    if fitted is None or fitted.dark <= 0:
        return MoonLaw(None, 0.0, default, _default_words(filter_name), dark_from=dark_from)
    other = _other(seen, fitted)
    slope, error = fitted.slope / fitted.dark, fitted.relative_error
    if len(lit) >= ENOUGH_FRAMES and nights >= ENOUGH_NIGHTS and error < WORST_ERROR:
        words = f"learned from {plural(len(lit), 'frame')} of {plural(nights, 'night')}"
        return MoonLaw(fitted.dark, other, slope, words, True, error)
    words = _default_words(filter_name)
    if len(lit) >= SOME_FRAMES and nights >= 2:
        share = len(lit) / (len(lit) + ENOUGH_FRAMES)
        default = share * slope + (1 - share) * default
        words += f", leaning on {plural(len(lit), 'frame')} of {plural(nights, 'night')}"
    return MoonLaw(fitted.dark, other, default, words, dark_from=dark_from)


def _default_words(filter_name: str) -> str:
    known = filter_name in KAPPA or filter_name.split(" ")[0] in KAPPA
    return "published default" if known else "published default of V, for want of its band"


class _Fit(NamedTuple):
    dark: float
    slope: float
    relative_error: float


def _fit(seen: Sequence[Seen], extinction_mag: float) -> _Fit | None:
    """Fit dark sky and moonlight; None of fewer than three frames."""
    if len(seen) < 3:
        return None
    seen = sorted(seen)  # sums must not depend on the order of frames
    rate = np.array([s.rate for s in seen])
    moon = np.array([s.moon_nl for s in seen])
    columns = np.stack([dark_air(np.array([s.airmass for s in seen]), extinction_mag), moon])
    weight = np.ones(len(seen))
    solution = np.zeros(2)
    for _ in range(ROUNDS):
        before, solution = solution, _non_negative(columns, rate, weight)
        rest = rate - solution @ columns
        spread = MAD_TO_SIGMA * float(np.median(np.abs(rest - np.median(rest))))
        if spread <= 0 or np.allclose(before, solution, rtol=1e-6):
            break
        weight = np.maximum(1 - (rest / (TUKEY * spread)) ** 2, 0) ** 2
    return _Fit(float(solution[0]), float(solution[1]), _error(columns, rate, weight, solution))


def _non_negative(columns: Floats, rate: Floats, weight: Floats) -> Floats:
    """Solve weighted least squares of two columns, neither coefficient below 0."""
    if not columns[1].any():
        return np.array([_alone(columns[0], rate, weight), 0.0])
    normal = (columns * weight) @ columns.T
    if np.linalg.cond(normal / np.sqrt(np.outer(np.diag(normal), np.diag(normal)))) < 1e10:
        both = np.linalg.solve(normal, (columns * weight) @ rate)
        if both.min() >= 0:
            return np.asarray(both)
    first, second = (_alone(column, rate, weight) for column in columns)
    tried = [np.array([first, 0.0]), np.array([0.0, second])]
    return min(tried, key=lambda x: float((weight * (rate - x @ columns) ** 2).sum()))


def _alone(column: Floats, rate: Floats, weight: Floats) -> float:
    return max(float((weight * column) @ rate / ((weight * column) @ column)), 0.0)


def _error(columns: Floats, rate: Floats, weight: Floats, solution: Floats) -> float:
    """Give the standard error of the Moon's coefficient over itself; infinite where unknown."""
    freedom = float((weight > 0).sum()) - 2
    if freedom < 1 or solution[1] <= 0 or solution[0] <= 0:
        return float("inf")
    normal = (columns * weight) @ columns.T
    if np.linalg.det(normal) <= 0:
        return float("inf")
    left = float((weight * (rate - solution @ columns) ** 2).sum()) / freedom
    return float(sqrt(max(left * np.linalg.inv(normal)[1, 1], 0.0)) / solution[1])


def _other(seen: Sequence[Seen], fitted: _Fit) -> float:
    """Give the variance that the sky's own light does not explain: read noise, dark current."""
    over = [s.noise - s.rate for s in seen if s.noise is not None]
    return max(float(np.median(over)), 0.0) if over else 0.0
