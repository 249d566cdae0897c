"""Faults outside the optics, dew halos and out-of-focus rings of the maker."""

import numpy as np
import pytest

from samples.maker.psf import Psf, template
from samples.maker.spoil import Glitch, Shade, break_read_out

SHAPE = (300, 400)


def test_ring_has_the_light_of_its_annulus() -> None:
    """Guards the obstructed aperture: all light stays, and the plateau of a ring is 1/(1 - h^2)
    times as bright as that of a disc of the same outer diameter (area of an annulus)."""
    disc, ring = (
        template(Psf(0.8, beta=6.0, blur_px=24.0, blur_hole=hole), 4, 24) for hole in (0.0, 0.5)
    )
    assert ring.sum() == pytest.approx(disc.sum(), rel=1e-3)
    middle = disc.shape[0] // 2
    at_9_px = middle + 9 * 4
    assert ring[middle, at_9_px] / disc[middle, at_9_px] == pytest.approx(1 / 0.75, rel=0.03)
    assert ring[middle, middle] < 0.05 * disc[middle, middle]


def test_halo_takes_its_share_and_keeps_the_core() -> None:
    """Guards dew: the light is only spread, and the core keeps what the halo did not take."""
    clear = template(Psf(3.0), 4, 40)
    dewed = template(Psf(3.0, halo_share=0.4, halo_px=18.0), 4, 40)
    assert dewed.sum() == pytest.approx(clear.sum(), rel=0.01)
    middle = clear.shape[0] // 2
    assert 0.6 <= dewed[middle, middle] / clear[middle, middle] < 0.65


def test_shade_covers_the_side_it_stands_on() -> None:
    """Guards obstruction: stars and sky dim on that side only, the share covered is as asked."""
    shade = Shade(from_deg=0.0, cover=0.25, soft=0.02, sky_left=0.4)
    x = np.linspace(0.0, SHAPE[1] - 1.0, 1000)
    left = shade.leaves(x, np.full_like(x, 150.0), SHAPE)
    assert np.mean(left) == pytest.approx(0.75, abs=0.01)
    assert left[0] == pytest.approx(1.0, abs=1e-6) and left[-1] < 1e-6
    sky = shade.sky(SHAPE)
    assert sky[:, 0] == pytest.approx(1.0) and sky[:, -1] == pytest.approx(0.4, abs=1e-3)


def _frame() -> np.ndarray:
    rng = np.random.default_rng(3)
    return rng.integers(480, 520, SHAPE).astype(np.uint16)


@pytest.mark.parametrize(
    "glitch", [Glitch("bands", 80.0), Glitch("shifted", 25), Glitch("repeated", 20)]
)
def test_glitches_leave_the_rows_before_them_alone(glitch: Glitch) -> None:
    """Guards read-out faults: whole rows change, the first ones, read out before, do not."""
    before, after = _frame(), _frame()
    break_read_out(after, glitch, np.random.default_rng(1))
    changed = (before != after).any(axis=1)
    assert not changed[:10].any()
    assert 0.05 < changed.mean() < 0.95


def test_half_a_frame_is_empty_below() -> None:
    """Guards the broken transfer: the rows that never came are zero."""
    after = _frame()
    break_read_out(after, Glitch("half", 0.4), np.random.default_rng(1))
    assert (after[120:] == 0).all() and (after[:120] == _frame()[:120]).all()


def test_shifted_rows_slip_sideways() -> None:
    """Guards slipped rows: the same pixels, so many columns on."""
    before, after = _frame(), _frame()
    break_read_out(after, Glitch("shifted", 25), np.random.default_rng(1))
    assert (after[-1] == np.roll(before[-1], 25)).all()
