"""The light budget adds up, by the worked numbers and by whatever is drawn."""

from dataclasses import replace
from math import fsum

import numpy as np
import pytest

from runlog.core.frame import Lacks
from runlog.core.ledger.depth_reference import Reference
from runlog.core.ledger.worth import References
from runlog.core.worth.losses import (
    FOCUS,
    GUIDING,
    LIGHT,
    SEEING,
    SKY,
    WIDTH,
    Factors,
    budget,
    factors_of,
    logarithmic_mean,
    shares,
)  # fmt: skip
from tests.core.worth.drawn import frame, kept

REFERENCES = References(
    {(1, "base"): Reference(1.0, 1)},
    {(1, "L"): Reference(1 / 2.4**2, 1)},
    {(1, "L"): Reference(1.0, 1)},
    {1: (1, "point")},
)


def divided(*frames):
    """Give frames their effective time, as the database does when they are read."""
    return [
        replace(f, judgement=replace(f.judgement, effective_s=REFERENCES.effective_s(f)))
        for f in frames
    ]


def test_worked_numbers():
    """300 s, T 0.7, FWHM x1.25, v x1.8: 52.27 s left; 101.13, 63.27, 83.33 s lost (by hand)."""
    factors = Factors(0.7**2, 1.25**-2, 1 / 1.8)
    assert 300 * factors.product == pytest.approx(52.27, abs=0.005)
    found = shares(300.0, factors)
    assert found.light_s == pytest.approx(101.13, abs=0.005)
    assert found.width_s == pytest.approx(63.27, abs=0.005)
    assert found.sky_s == pytest.approx(83.33, abs=0.005)


def test_shares_add_up_whatever_is_drawn():
    """Losses and gains of 5,000 drawn frames: their sum is t - t_eff to 1e-12 of t."""
    random = np.random.default_rng(8)
    for light, width, sky in np.exp(random.normal(0, 1, (5000, 3))):
        found = shares(300.0, Factors(light, width, sky))
        lost = 300.0 - 300.0 * light * width * sky
        whole = found.light_s + found.width_s + found.sky_s
        assert whole == pytest.approx(lost, rel=1e-11, abs=3e-10)


def test_where_gains_and_losses_cancel():
    """At t_eff = t the mean is t itself: what light took the sky gave."""
    found = shares(300.0, Factors(0.5, 1.0, 2.0))
    assert found.light_s == pytest.approx(300 * np.log(2), rel=1e-12)
    assert found.sky_s == -found.light_s
    assert found.width_s == 0.0
    assert logarithmic_mean(300.0, 300.0) == 300.0
    assert logarithmic_mean(300.0, 300.0 * (1 + 1e-9)) == pytest.approx(300.0, rel=1e-8)
    assert logarithmic_mean(2.0, 1.0) == pytest.approx(1 / np.log(2))


def test_a_night_adds_up():
    """Logged = effective + lost - gained + unknown, over kept, lost and unknown frames."""
    frames = divided(
        *kept(10, light=0.8, sky=1.3, fwhm=2.6), frame(20, light=1.1, sky=0.9),
        frame(30, grade="reject", faults=["cloud"]), frame(31, grade="doubtful", faults=["soft"]),
        frame(40, lacks=Lacks.GAIN), frame(41, grade="doubtful", by="person"),
    )  # fmt: skip
    found = budget(frames, REFERENCES)
    lost = fsum(x.lost_s - x.gained_s for x in found.losses)
    assert found.logged_s == 15 * 300.0
    assert found.effective_s + lost + found.unknown_s == pytest.approx(found.logged_s, rel=1e-12)
    assert (found.unknown_s, found.unknown_frames) == (300.0, 1)
    assert [x.lost_s for x in found.losses] == sorted(x.lost_s for x in found.losses)[::-1]
    assert budget(frames[::-1], REFERENCES) == found


def test_rejects_go_wholly_to_their_first_cause():
    """What else befell a frame counts nothing; its cure is what a kept second was worth."""
    frames = divided(
        *kept(4, light=0.5**0.5), frame(30, light=0.1, grade="reject", faults=["cloud", "soft"])
    )
    found = {x.cause: x for x in budget(frames, REFERENCES).losses}
    assert found["cloud"].lost_s == 300.0
    assert found["cloud"].cure_s == pytest.approx(150.0)
    assert "soft" not in found
    assert found[LIGHT].lost_s == pytest.approx(600.0)
    assert found[LIGHT].cure_s == pytest.approx(600.0)


@pytest.mark.parametrize(
    "fault, cause",
    [("defocused", FOCUS), ("soft", SEEING), ("trailed", GUIDING), ("streak", WIDTH)],
)
def test_what_widened_kept_frames(fault, cause):
    """The fault of a kept frame names it; a fault that widens nothing leaves it unknown."""
    frames = divided(*kept(3), frame(9, fwhm=3.0, faults=[fault]))
    (found,) = budget(frames, REFERENCES).losses
    assert (found.cause, found.frames) == (cause, 1)


def test_width_is_focus_where_the_profile_is_flatter():
    """Half-flux radius over FWHM a twentieth below the run's: focus, as the grading has it."""
    usual = [replace(f, measurement=replace(f.measurement, hfr_px=1.5)) for f in kept(8)]
    flat = frame(20, fwhm=3.0)
    flat = replace(flat, measurement=replace(flat.measurement, hfr_px=1.5 / 2.4 * 3.0 * 0.94))
    (found,) = budget(divided(*usual, flat), REFERENCES).losses
    assert found.cause == FOCUS


def test_nebulae_lose_nothing_to_width():
    """In the form of surfaces the width is no factor, and the three still give t_eff."""
    surfaces = replace(REFERENCES, runs={1: (1, "extended")})
    one = frame(1, light=0.9, sky=1.2, fwhm=4.8)
    one = replace(one, judgement=replace(one.judgement, effective_s=surfaces.effective_s(one)))
    factors = factors_of(one, surfaces)
    assert factors.width == 1.0
    assert 300 * factors.product == pytest.approx(one.judgement.effective_s, rel=1e-12)
    assert {x.cause for x in budget([one], surfaces).losses} == {LIGHT, SKY}


def test_no_reference_is_unknown():
    """Without a reference nothing is said of what kept frames lost."""
    found = budget(kept(3), References())
    assert (found.unknown_frames, found.effective_s, found.losses) == (3, 0.0, ())
    assert found.per_kept_s is None
