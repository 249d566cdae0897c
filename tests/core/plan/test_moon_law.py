"""What moonlight takes: the published example, published defaults, and slopes learned."""

import numpy as np
import pytest

from runlog.core.plan.moon_law import (
    KAPPA,
    MoonLaw,
    Seen,
    dark_air,
    kappa_of,
    moon_law,
    moonlight_nl,
    nanolamberts,
)
from runlog.core.sky import moonlight as scalar
from runlog.core.sky.moonlight import surface_brightness_mag

DARK_NL = nanolamberts(21.0)


def test_the_published_example():
    """Guards the model: Krisciunas and Schaefer's example, 19.855 mag; sums of CAPABILITIES.md."""
    light = scalar.moonlight_nl(45, 50, 70, 20, 0.15)
    assert surface_brightness_mag(light) == pytest.approx(19.855, abs=0.001)
    assert light == pytest.approx(389.516, abs=0.01)
    for dark, total, ratio in ((21.8, 19.679, 6.70), (18.5, 18.183, 1.273)):
        air = (1 - 0.96 * np.sin(np.radians(20)) ** 2) ** -0.5  # their airmass of the sky
        sky = nanolamberts(dark) * 10 ** (-0.4 * 0.15 * (air - 1)) * air
        assert surface_brightness_mag(sky + light) == pytest.approx(total, abs=0.001)
        assert (sky + light) / sky == pytest.approx(ratio, abs=0.005)


def test_many_at_once_are_as_one_by_one():
    """Guards the arrays against the function for one moment, which the paper's example checks."""
    random = np.random.default_rng(5)
    phase, apart = random.uniform(0, 179, 200), random.uniform(0, 170, 200)
    moon, up = random.uniform(-20, 89, 200), random.uniform(1, 89, 200)
    one_by_one = [
        scalar.moonlight_nl(*values)
        for values in zip(phase, apart, 90 - moon, 90 - up, strict=True)
    ]
    assert moonlight_nl(phase, apart, moon, up) == pytest.approx(one_by_one, rel=1e-9)


def test_defaults_are_the_published_table():
    """Guards kappa: the TNG calculator's sky at 0 and 14 days, over V's, log-interpolated."""
    table = {"U": (360, 22.5, 19.3), "B": (440, 22.8, 19.1), "V": (550, 21.8, 18.5),
             "R": (647, 20.9, 18.2), "I": (790, 19.7, 17.3)}  # fmt: skip
    ratio = {k: 10 ** (0.4 * (dark - bright)) - 1 for k, (_, dark, bright) in table.items()}
    waves = [w for w, _, _ in table.values()]
    logs = [np.log(ratio[k] / ratio["V"]) for k in table]
    # Centres of Johnson's and Cousins' bands and of imaging filters from memory.
    for name, wave in (("B", 450), ("Hb", 486.1), ("OIII", 500.7), ("G", 530), ("R", 634),
                       ("Ha", 656.3), ("SII", 672.0)):  # fmt: skip
        expected = np.exp(np.interp(wave, waves, logs))
        assert KAPPA[name] == pytest.approx(expected, rel=0.03), name
    assert kappa_of("Ha 3nm") == KAPPA["Ha"]


@pytest.mark.parametrize(
    ("dark", "noise_e", "other", "left"),
    [(2.0, 1.6, 0.0, 0.201), (0.03, 1.6, 0.0, 0.243), (0.07, 8.0, 0.0, 0.503)],
)
def test_read_noise_shelters_and_bandwidth_does_not(dark, noise_e, other, left):
    """Guards the one formula: sky five times as bright at 300 s, worked in CAPABILITIES.md."""
    law = MoonLaw(dark, noise_e**2 / 300 + other, 4.0, "")
    assert float(law.factor(np.array(1.0))) == pytest.approx(left, abs=0.005)
    assert float(law.factor(np.array(0.0))) == 1.0


def test_without_a_dark_sky_in_electrons_nothing_shelters():
    """Guards unknown read noise: the Moon is taken to harm as much as it can."""
    law = moon_law([], "Ha", 0.1, None)
    assert law.dark is None
    assert law.dark_from == "assumed"
    assert float(law.factor(np.array(DARK_NL))) == pytest.approx(1 / (1 + KAPPA["Ha"]))
    assert law.moon_from == "published default"


def drawn(random, nights, frames, slope, scatter=0.03, cloud=0.0):
    """Draw skies of moonlit nights and as many dark ones; some frames with a lamp in them."""
    found = []
    for n in range(2 * nights):
        lit = n < nights
        for _ in range(frames):
            airmass = random.uniform(1.0, 1.9)
            moon = random.uniform(150, 1500) if lit else random.uniform(0, 40)
            rate = 0.8 * float(dark_air(np.array(airmass), 0.15)) + slope * moon
            rate *= random.normal(1, scatter) * (1.6 if random.random() < cloud else 1.0)
            found.append(Seen(f"n{n}", rate, rate + 0.02, airmass, moon))
    return found


def test_a_learned_slope_is_right():
    """Guards learning on drawn nights of known truth: within 15 %, a tenth of frames disturbed."""
    random = np.random.default_rng(20261127)
    for _ in range(40):
        slope = 0.8 * random.uniform(0.3, 1.6) / DARK_NL
        nights = int(random.integers(3, 7))
        law = moon_law(drawn(random, nights, int(random.integers(7, 20)), slope, cloud=0.1), "Ha",
                       0.15, None)  # fmt: skip
        assert law.learned
        assert law.dark * law.moon_to_dark == pytest.approx(slope, rel=0.15)
        assert law.dark == pytest.approx(0.8, rel=0.15)
        assert law.moon_from.startswith("learned from")


@pytest.mark.parametrize(("nights", "frames"), [(2, 30), (3, 5), (1, 40)])
def test_few_frames_or_nights_are_not_trusted(nights, frames):
    """Guards the default: fewer than 20 moonlit frames, or than 3 nights, only lean on it."""
    random = np.random.default_rng(7)
    slope = 5 * 0.8 / DARK_NL
    law = moon_law(drawn(random, nights, frames, slope), "Ha", 0.15, None)
    assert not law.learned
    assert law.moon_from.startswith("published default")
    assert law.moon_to_dark < slope / 0.8


def test_frames_without_any_order_teach_the_same():
    """Guards independence of the order of scanning."""
    seen = drawn(np.random.default_rng(3), 4, 10, 0.8 / DARK_NL)
    assert moon_law(seen, "L", 0.15, None) == moon_law(seen[::-1], "L", 0.15, None)
