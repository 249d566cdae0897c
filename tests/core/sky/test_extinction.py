"""The slope of a run's extinction: found from drawn nights, and never faked by cloud."""

import math
import random

import pytest

from runlog.core.grading.policy import extinction_mag
from runlog.core.sky.extinction import (
    HIGHEST_SHARE,
    LOWEST_SHARE,
    Extinction,
    Sighting,
    run_extinction,
)

NOISE_MAG = 0.012  # of one frame's median star ratio
DEFAULT = 0.18


def night(mag, airmasses, rng, cloud=lambda n: 0.0, field="M 33", zero_mag=0.1):
    """Draw frames whose light falls as m_0 + k X, with noise and what cloud takes."""
    return [
        Sighting(field, x, 10 ** (-0.4 * (zero_mag + mag * x + rng.gauss(0, NOISE_MAG) + cloud(n))))
        for n, x in enumerate(airmasses)
    ]


def falling(count=40, low=1.02, high=1.9):
    """List airmasses of a target that sinks."""
    return [low + (high - low) * i / (count - 1) for i in range(count)]


@pytest.mark.parametrize("mag", [0.08, 0.12, 0.18, 0.28, 0.4])
def test_a_clear_night_tells_its_own_slope(mag):
    """Whatever the air of the night takes is found within a hundredth or two, not the default."""
    found = run_extinction(night(mag, falling(), random.Random(1)), DEFAULT)
    # Standard error of a slope: noise / (sqrt(n) x spread) = 0.012 / (6.3 x 0.26) = 0.007.
    assert found.mag == pytest.approx(mag, abs=3 * 0.007)
    assert found.frames > 20
    assert "own slope" in found.source


def test_any_order_gives_the_same_number():
    """The order in which frames were stored changes nothing, to the last digit."""
    frames = night(0.25, falling(), random.Random(2), cloud=lambda n: 0.3 if n % 7 == 0 else 0.0)
    first = run_extinction(frames, DEFAULT)
    for n in range(5):
        shuffled = random.Random(n).sample(frames, len(frames))
        assert run_extinction(shuffled, DEFAULT) == first


def test_a_field_that_cannot_tell_by_itself_tells_nothing():
    """Guards the slope from fields of few frames, and from those that stay at one height."""
    clear = night(0.25, falling(), random.Random(5))
    few = night(0.9, [1.0, 1.2, 1.9], random.Random(6), field="M 81")
    level = night(0.9, [1.3 + 0.005 * n for n in range(40)], random.Random(7), field="M 101")
    assert run_extinction([*clear, *few, *level], DEFAULT) == run_extinction(clear, DEFAULT)


@pytest.mark.parametrize("seed", range(5))
def test_cloud_passes_do_not_bend_the_slope(seed):
    """With a third of the frames behind cloud of all depths the clear ones still tell."""
    rng = random.Random(seed)
    depth = [rng.uniform(0.1, 2.0) if rng.random() < 0.35 else 0.0 for _ in range(40)]
    found = run_extinction(night(0.25, falling(), rng, cloud=depth.__getitem__), DEFAULT)
    assert found.frames
    assert found.mag == pytest.approx(0.25, abs=0.03)


def test_two_fields_tell_together():
    """Each field has a reference of its own, so only the slope is shared."""
    rng = random.Random(3)
    frames = night(0.3, falling(20), rng) + night(0.3, falling(20), rng, field="M 81", zero_mag=-1)
    assert run_extinction(frames, DEFAULT).mag == pytest.approx(0.3, abs=0.03)


@pytest.mark.parametrize("seed", range(5))
def test_a_cloudy_night_leaves_the_default(seed):
    """Where three quarters of the frames are behind cloud no slope is believed."""
    rng = random.Random(seed)
    depth = [rng.uniform(0.1, 2.0) if rng.random() < 0.75 else 0.0 for _ in range(40)]
    found = run_extinction(night(0.18, falling(), rng, cloud=depth.__getitem__), DEFAULT)
    assert found == Extinction(DEFAULT)
    assert "default" in found.source


@pytest.mark.parametrize(
    "cloud",
    [
        lambda n: 1.2 * n / 40,  # thickens while the target sinks
        lambda n: 1.2 * (40 - n) / 40,  # thins out
        lambda n: 0.8 if n > 20 else 0.0,  # arrives at half time
    ],
)
def test_cloud_that_goes_with_airmass_is_no_extinction(cloud):
    """A slope that no clear sky has is not taken for the air's."""
    found = run_extinction(night(0.18, falling(), random.Random(4), cloud=cloud), DEFAULT)
    assert found.mag == pytest.approx(0.18, abs=0.06)


@pytest.mark.parametrize(
    "airmasses",
    [falling(40, 1.0, 1.25), falling(8), [1.02] * 30 + [1.9], []],
    ids=["short arc", "few frames", "one frame far away", "none"],
)
def test_too_little_to_tell(airmasses):
    """Over a short arc, with few frames or one outlier, the default stays."""
    assert run_extinction(night(0.4, airmasses, random.Random(5)), DEFAULT).frames == 0


def test_correction_undoes_what_the_air_took():
    """Pogson's ratio: 2.5 magnitudes are a factor of ten, so k = 1.25 over two airmasses is."""
    assert Extinction(1.25).corrected(0.1, 3.0, 1.0) == pytest.approx(1.0)


def test_correction_by_hand():
    """k = 0.18 from airmass 1.2 down to 2: 10^(0.4 x 0.18 x 0.8) = 1.1418, and back its inverse."""
    air = Extinction(0.18)
    assert air.corrected(1.0, 2.0, 1.2) == pytest.approx(1.1418, abs=5e-5)
    assert air.corrected(1.0, 1.2, 2.0) == pytest.approx(1 / 1.1418, abs=5e-5)


def clear(mag, airmasses, field="M 33", zero_mag=0.1, wobble_mag=0.0):
    """Give frames under a sky without noise but for a wobble from one to the next."""
    off = (zero_mag + mag * x + wobble_mag * (-1) ** n for n, x in enumerate(airmasses))
    return [Sighting(field, x, 10 ** (-0.4 * m)) for x, m in zip(airmasses, off, strict=True)]


@pytest.mark.parametrize(
    ("share", "believed"),
    [(0.3, False), (LOWEST_SHARE + 0.01, True), (HIGHEST_SHARE - 0.01, True), (2.6, False)],
)
def test_only_slopes_that_a_clear_sky_has_are_believed(share, believed):
    """Less than clean air takes is no extinction, more than haze does is cloud (`*_SHARE`)."""
    found = run_extinction(clear(share * DEFAULT, falling()), DEFAULT)
    assert (found.frames > 0) is believed
    assert found.mag == pytest.approx(share * DEFAULT if believed else DEFAULT, abs=1e-6)


@pytest.mark.parametrize(("wobble_mag", "believed"), [(0.004, True), (0.02, False)])
def test_a_slope_is_as_good_as_its_error(wobble_mag, believed):
    """Ten frames over 0.3 airmasses: the error of the slope is the scatter over sqrt(S_xx).

    S_xx = 10 x 0.0102 = 0.102 (variance of ten even steps), so 0.32: a wobble of 0.004 leaves an
    error of 0.014, one of 0.02 an error of 0.07, and 0.03 is the most believed.
    """
    run = clear(0.25, falling(10, 1.0, 1.3001), wobble_mag=wobble_mag)
    assert (run_extinction(run, DEFAULT).frames == 10) is believed


def test_each_field_has_its_own_zero():
    """The same sky over two fields, one laid on a reference four tenths brighter: one slope."""
    high_up = clear(0.25, falling(20, 1.0, 1.4), "M 33", zero_mag=0.5)
    low_down = clear(0.25, falling(20, 1.4, 1.8), "M 31", zero_mag=0.1)
    found = run_extinction([*high_up, *low_down], DEFAULT)
    assert (found.mag, found.frames) == (pytest.approx(0.25, abs=1e-6), 40)


def test_what_tells_nothing_of_the_air_is_left_out():
    """No light at all, and what is so low that the airmass is no more a straight path, is."""
    run = clear(0.25, falling())
    odd = [Sighting("M 33", 1.5, 0.0), Sighting("M 33", 3.5, 0.9), Sighting("M 33", 0.5, 0.9)]
    assert run_extinction([*run, *odd], DEFAULT) == run_extinction(run, DEFAULT)


def rayleigh_mag(wavelength_um, altitude_km):
    """Give what clean, dry air scatters, in magnitudes per airmass.

    Hayes and Latham 1975, ApJ 197, 593, equation for Rayleigh scattering (from memory).
    """
    s2 = wavelength_um**-2
    index = 0.23465 + 107.6 / (146 - s2) + 0.93161 / (41 - s2)
    return 0.0094977 * s2**2 * index**2 * math.exp(-altitude_km / 7.996)


@pytest.mark.parametrize(("name", "wavelength_um"), [
    ("B", 0.45), ("G", 0.53), ("R", 0.62), ("u'", 0.355), ("g'", 0.477), ("r'", 0.623),
    ("U", 0.365), ("Johnson B", 0.44), ("V", 0.55), ("Rc", 0.64),
])  # fmt: skip
def test_bounds_hold_clean_air_and_haze(name, wavelength_um):
    """The range believed holds pure air at 2 km, and air twice as bad as the default."""
    default = extinction_mag(name)
    assert LOWEST_SHARE * default < rayleigh_mag(wavelength_um, 2.0) < default
    assert HIGHEST_SHARE >= 2.0


def test_red_bands_lose_less_than_blue_and_more_than_clean_air():
    """Beyond R haze takes more than the air does: all that holds there is an order and a floor."""
    by_wavelength = ["u'", "g'", "r'", "i'", "z'"], ["U", "Johnson B", "V", "Rc", "Ic"]
    for bands in by_wavelength:
        losses = [extinction_mag(name) for name in bands]
        assert losses == sorted(losses, reverse=True)
    for name, wavelength_um in (("i'", 0.763), ("z'", 0.905), ("Ic", 0.80)):
        assert 2 * rayleigh_mag(wavelength_um, 0.0) < extinction_mag(name) < extinction_mag("R")
