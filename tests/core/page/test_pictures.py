"""Small pictures: which frames, and PNG that another decoder reads."""

import io

import numpy as np
import pytest
from PIL import Image

from runlog.core.frame import Grade
from runlog.core.page.pictures import MOST_BYTES, WIDTH_PX, as_png, choose, small_grey
from tests.core.page.frames import light


def test_png_is_what_pillow_reads():
    """Guards the encoder: Pillow gives the pixels back, to the step of the greys."""
    grey = np.arange(240 * 7, dtype=np.int64).reshape(7, 240).astype(np.uint8)
    with Image.open(io.BytesIO(as_png(grey))) as opened:
        assert (opened.mode, opened.size) == ("L", (240, 7))
        assert np.abs(np.asarray(opened).astype(int) - grey).max() <= 1


@pytest.mark.parametrize("shape", [(160, 240), (240, 240), (360, 240)])
def test_noise_fits_forty_kilobytes(shape):
    """Guards the size of a page: noise compresses worst of all."""
    grey = np.random.default_rng(1).integers(0, 256, shape, dtype=np.uint8)
    png = as_png(grey)
    assert len(png) <= MOST_BYTES
    with Image.open(io.BytesIO(png)) as opened:
        assert opened.size == shape[::-1]


@pytest.mark.parametrize("shape", [(1, 1), (3, 5), (320, 480), (333, 641), (800, 90)])
def test_a_picture_of_any_size_is_shrunk_to_the_width(shape):
    """Guards sizes that no factor divides, and pictures smaller than the page's."""
    codes = np.random.default_rng(2).integers(20, 90, shape, dtype=np.uint8)
    grey = small_grey(codes)
    assert grey.dtype == np.uint8
    assert 1 <= grey.shape[1] <= WIDTH_PX
    assert grey.shape[0] / grey.shape[1] == pytest.approx(shape[0] / shape[1], rel=0.05)


def test_a_flat_picture_is_no_trouble():
    """Guards a division by the span of a picture that has none."""
    assert set(np.unique(small_grey(np.full((100, 100), 40, np.uint8)))) == {0}


def test_each_fault_is_shown_once_after_the_kept():
    """Guards six pictures of one cloud: best, usual and worst kept first, then a cause each."""
    lights = [light(n, fwhm_px=2.0 + n / 10) for n in range(5)]
    lights += [light(n, grade=Grade.REJECT, fwhm_px=4.0) for n in range(10, 14)]
    causes = {f.key: "cloud" if n else "trailed" for n, f in enumerate(lights[5:])}
    found = choose(lights, causes)
    assert [one.why for one in found] == [
        "sharpest kept", "usual", "widest kept", "cloud", "trailed",
    ]  # fmt: skip
    assert [one.frame.key for one in found[:3]] == [lights[n].key for n in (0, 2, 4)]


def test_no_kept_frame_and_no_light_at_all():
    """Guards a night of which nothing is kept, or nothing there."""
    lost = light(1, grade=Grade.DOUBTFUL, fwhm_px=None)
    assert [one.why for one in choose([lost], {lost.key: "few-stars"})] == ["few stars"]
    assert choose([], {}) == []
