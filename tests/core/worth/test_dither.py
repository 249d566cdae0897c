"""Evenness of shifts as astropy has it, clipping as numpy does it, trails on a map."""

from dataclasses import replace
from math import pi

import numpy as np
import pytest
from astropy.stats import rayleightest

from runlog.core.frame import Identity, Placement, Streak
from runlog.core.worth.dither import dither_of, dither_words, frames_needed, rayleigh_p
from tests.core.worth.drawn import kept


def laid(shifts, fwhm=1.7, streaks=(), reference="best"):
    """Make kept frames with shifts in pixels."""
    return [
        replace(
            f, placement=Placement(matched_to=reference, shift_x_px=x, shift_y_px=y,
                                   streaks=tuple(streaks[n]) if n < len(streaks) else ()),
            identity=Identity(f.key, id=n, width=1600, height=800),
            measurement=replace(f.measurement, fwhm_px=fwhm),
        )
        for n, (f, (x, y)) in enumerate(zip(kept(len(shifts)), shifts, strict=True))
    ]  # fmt: skip


def test_rayleigh_is_astropys():
    """astropy.stats.rayleightest of 130, 90, 0 and 145 degrees: 0.25635; and of drawn angles."""
    angles = np.radians([130.0, 90.0, 0.0, 145.0])
    assert rayleigh_p(angles) == pytest.approx(0.25635, abs=5e-6)
    random = np.random.default_rng(4)
    for n in (4, 20, 49, 50, 300):
        for spread in (0.5, 2.0, 10.0):
            angles = random.normal(1.0, spread, n)
            assert rayleigh_p(angles) == pytest.approx(float(rayleightest(angles)), rel=1e-9)


def test_even_by_chance_is_rarely_called_uneven():
    """Of 400 pictures with shifts drawn evenly about 1 in 50 is called uneven (two axes at 1 %)."""
    random = np.random.default_rng(9)
    uneven = sum(not dither_of(laid(random.uniform(-9, 9, (30, 2)))).even for _ in range(400))
    assert uneven <= 18


@pytest.mark.parametrize("hits, frames", [(1, 10), (1, 11), (2, 20), (2, 21), (5, 50), (5, 51)])
def test_clipping_finds_outliers_as_numpy_does(hits, frames):
    """A value in k of N frames is more than 3 standard deviations off exactly where we say so."""
    values = np.zeros(frames)
    values[:hits] = 1000.0
    found = abs(values[0] - values.mean()) > 3 * values.std() * (1 + 1e-12)
    assert found == (frames >= frames_needed(hits))


def test_dithered_and_not():
    """Shifts of several pixels spread a hot pixel; guiding noise leaves it where it is."""
    random = np.random.default_rng(2)
    still = dither_of(laid(random.normal(0, 0.1, (40, 2))))
    assert (still.places, still.most_on_one, still.clips_hot) == (1, 40, False)
    assert "not dithered: a hot pixel falls on one place in all 40 frames" in dither_words(still)
    moved = dither_of(laid(random.uniform(-15, 15, (40, 2))))
    assert moved.clips_hot and moved.most_on_one <= 3
    assert "clipping at 3 sigma finds it" in dither_words(moved)
    few = dither_of(laid([(0.0, 0.0), (5.0, 0.0), (0.0, 5.0)]))
    assert not few.clips_hot
    assert "clipping at 3 sigma needs 11;" in dither_words(few)
    assert "unknown, because there are too few frames" in dither_words(few)


def test_detail():
    """Narrow stars and even shifts: drizzle works; whole pixels: not; wide stars: no gain."""
    random = np.random.default_rng(5)
    shifts = random.uniform(-15, 15, (60, 2))
    assert "would work" in dither_words(dither_of(laid(shifts)))
    assert "would not work" in dither_words(dither_of(laid(np.rint(shifts) + 0.02)))
    assert "gain nothing" in dither_words(dither_of(laid(shifts, fwhm=2.6)))
    assert dither_of(laid(np.rint(shifts))).p_x == pytest.approx(
        float(rayleightest(2 * pi * np.rint(shifts[:, 0]))), abs=1e-9
    )


def test_trails_on_a_map():
    """Two trails that cross share a cell; one that two frames show alike shares all of it."""
    across, down = Streak(0, 400, 1599, 400), Streak(800, 0, 800, 799)
    crossing = dither_of(laid([(0.0, 0.0)] * 12, streaks=[[across], [down]]))
    assert crossing.trails == 2
    assert crossing.crossed == pytest.approx(1 / (200 * 100), rel=1e-9)
    twice = dither_of(laid([(0.0, 0.0)] * 12, streaks=[[across], [across]]))
    assert twice.crossed == pytest.approx(200 / (200 * 100))
    moved = dither_of(laid([(0.0, 0.0), (0.0, 24.0), *[(0.0, 0.0)] * 10],
                           streaks=[[across], [Streak(0, 424, 1599, 424)]]))  # fmt: skip
    assert moved.crossed == pytest.approx(200 / (200 * 100))
    assert dither_of(laid([(0.0, 0.0)] * 12)).crossed is None


def test_a_flip_turns_the_frame():
    """After a flip the same pixels lie at the other end: a trail seen from both sides coincides."""
    first, last = Streak(0, 100, 1599, 100), Streak(1599, 699, 0, 699)  # rows 100 and 799 - 100
    frames = laid([(0.0, 0.0)] * 12, streaks=[[first], [last]])
    turned = replace(frames[1], placement=replace(frames[1].placement, rotation_deg=179.8))
    found = dither_of([frames[0], turned, *frames[2:]])
    assert found.crossed == pytest.approx(200 / (200 * 100), rel=0.02)
    assert (found.places, found.most_on_one) == (2, 11)


def test_frames_on_another_reference_are_left_out():
    """Shifts against two references do not compare; without any nothing is said."""
    own, other = laid([(0.0, 0.0)] * 9), laid([(0.0, 0.0)] * 4, reference="other")
    found = dither_of([*own, *other])
    assert (found.frames, found.left_out) == (9, 4)
    assert dither_of(kept()) is None
