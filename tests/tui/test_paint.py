"""Contrast, sampling and cells, checked against plain arithmetic."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.color import Color

from runlog.core.frame import Zone
from runlog.tui import paint
from runlog.tui.paint import (
    GREYS,
    Contrast,
    Window,
    contrast_of,
    fit,
    half_blocks,
    sample,
    shade_cells,
    tilt,
    tilt_marks,
    to_cell,
)

sizes = st.tuples(st.integers(1, 60), st.integers(1, 60))


@given(size=sizes, dots=st.tuples(st.integers(1, 40), st.integers(1, 40)))
def test_sampling_keeps_the_mean(size: tuple[int, int], dots: tuple[int, int]) -> None:
    """Averaging a whole image over any grid keeps its mean: every pixel has the same weight."""
    image = np.random.default_rng(1).random((size[1], size[0])).astype(np.float32)
    found = sample(image, Window(0, 0, size[0], size[1]), dots)
    assert found.shape == (dots[1], dots[0])
    assert float(found.mean()) == pytest.approx(float(image.mean()), rel=1e-3)


def test_sampling_one_to_one_is_the_image() -> None:
    """A window as large as its dots shows the pixels themselves."""
    image = np.arange(48, dtype=np.float32).reshape(6, 8)
    assert np.allclose(sample(image, Window(2, 1, 6, 5), (4, 4)), image[1:5, 2:6])


def test_outside_the_frame_is_told_apart() -> None:
    """Dots beyond the image come back as NaN, not as black."""
    found = sample(np.ones((4, 4), np.float32), Window(-4, 0, 8, 4), (6, 2))
    assert np.isnan(found[:, [0, 1, 4, 5]]).all()
    assert (found[:, 2:4] == 1).all()


@given(
    frame=st.tuples(st.integers(10, 9000), st.integers(10, 9000)),
    dots=st.tuples(st.integers(1, 300), st.integers(1, 200)),
    zoom=st.sampled_from([1.0, 2.0, 8.0]),
    at=st.tuples(st.floats(0, 1), st.floats(0, 1)),
)
def test_the_window_has_square_dots_and_stays_inside(
    frame: tuple[int, int], dots: tuple[int, int], zoom: float, at: tuple[float, float]
) -> None:
    """Nothing is stretched, and a window smaller than the frame never leaves it."""
    window = fit(frame, dots, zoom, at)
    assert window.width / dots[0] == pytest.approx(window.height / dots[1])
    if window.width < frame[0]:
        assert window.x0 >= -1e-6
        assert window.x1 <= frame[0] + 1e-6
    if zoom == 1.0:
        assert window.width >= frame[0] - 1e-6
        assert window.height >= frame[1] - 1e-6


def test_contrast_is_asinh() -> None:
    """Half way up a stretch of hardness h is asinh(h / 2) / asinh(h) of white."""
    contrast = Contrast(100, 300, hardness=15)
    expected = round(np.arcsinh(7.5) / np.arcsinh(15) * (GREYS - 1))
    assert contrast.apply(np.array([100, 200, 300, 999, -5])).tolist() == [
        0, expected, GREYS - 1, GREYS - 1, 0,
    ]  # fmt: skip


def test_faint_things_show_at_once() -> None:
    """A glow of a twentieth of a bright star's light is lifted well clear of black."""
    image = np.random.default_rng(2).normal(900, 10, (200, 300))
    image[60:120, 100:200] += 60
    image[::20, ::20] += 20_000
    greys = contrast_of(image).apply(image)
    assert np.median(greys[60:120, 100:200]) - np.median(greys) >= 3


@pytest.mark.parametrize("image", [np.full((9, 9), np.nan), np.zeros((9, 9)), np.zeros((0, 0))])
def test_contrast_of_nothing(image: np.ndarray) -> None:
    """An empty, flat or unreadable image has a contrast that does not divide by zero."""
    contrast = contrast_of(image)
    assert contrast.white > contrast.black


def test_a_cell_holds_two_dots() -> None:
    """The upper dot is the sign's colour, the lower one the ground's."""
    dots = np.array([[0, 5], [GREYS - 1, 5]], np.uint8)
    (strip,) = half_blocks(dots, {}, "#000000")
    segments = list(strip)
    assert segments[0].text == "▀"
    assert segments[0].style is not None
    assert segments[0].style.color == Color.from_rgb(0, 0, 0)
    assert segments[0].style.bgcolor == Color.from_rgb(255, 255, 255)
    assert segments[1].text == " "


def test_without_colour_bright_is_dense() -> None:
    """Five shades of block stand in for grey."""
    dots = np.array([[0, GREYS // 2, GREYS - 1, 255]] * 2, np.uint8)
    words = shade_cells(dots, {})[0].text
    assert (words[0], words[2], words[3]) == (" ", "█", " ")
    assert words[1] in "░▒▓"


def test_marks_lie_where_they_were_measured() -> None:
    """A frame pixel falls in the cell that shows it."""
    window = Window(0, 0, 800, 400)
    assert to_cell(0, 0, window, (80, 20)) == (0, 0)
    assert to_cell(799.9, 399.9, window, (80, 20)) == (79, 19)
    assert to_cell(800, 10, window, (80, 20)) is None
    assert to_cell(405, 205, window, (80, 20)) == (40, 10)


@pytest.mark.parametrize(
    ("across", "down", "head"), [(1, 0, "→"), (1, 1, "↘"), (0, 1, "↓"), (-1, 0, "←"), (0, -1, "↑")]
)
def test_tilt_points_to_where_stars_are_wide(across: int, down: int, head: str) -> None:
    """A plane of widths comes back as its widths at both ends; +y is down on the screen."""
    zones = [
        Zone(20, 3.0 + 0.4 * across * (i % 3 - 1) + 0.4 * down * (i // 3 - 1)) for i in range(9)
    ]
    found = tilt(zones)
    assert found is not None
    assert found == pytest.approx((3.0, 1.2 * across, 1.2 * down), abs=1e-6)
    marks = tilt_marks(zones, (900, 900), Window(0, 0, 900, 900), (90, 45), "a")
    rows = ["".join(marks[x, y][0] for x in range(90) if (x, y) in marks) for y in range(45)]
    rise = 1.2 * (across**2 + down**2) ** 0.5
    assert any(f"{head}{3 + rise / 2:.1f} px" in row for row in rows)
    assert any(f" {3 - rise / 2:.1f} px" in row for row in rows)


def test_no_tilt_is_said() -> None:
    """Equal widths give no arrow, and too few widths nothing at all."""
    window = Window(0, 0, 900, 900)
    marks = tilt_marks([Zone(20, 3.0)] * 9, (900, 900), window, (90, 45), "a")
    row = "".join(marks[x, 22][0] for x in range(90) if (x, 22) in marks)
    assert row == " no tilt: 3.0 px "
    assert tilt_marks([Zone(1)] * 9, (900, 900), window, (90, 45), "a") == {}


def test_a_dimmer_frame_looks_dimmer_beside_another() -> None:
    """Compared frames share one stretch above their own skies: cloud is seen, moonlight is not."""
    random = np.random.default_rng(5)
    clear = 900 + 10 * random.standard_normal((100, 100))
    clear[20:30, 20:30] += 3000
    cloudy = 1200 + (clear - 900) * np.where(clear > 2000, 0.3, 1.0)
    one, other = paint.contrast_of(clear), paint.contrast_of(cloudy)
    beside = paint.alike(other, one)
    assert abs(beside.apply(cloudy)[50:].mean() - one.apply(clear)[50:].mean()) < 2
    assert beside.apply(cloudy)[25, 25] < one.apply(clear)[25, 25] - 3
    assert other.apply(cloudy)[25, 25] == one.apply(clear)[25, 25]  # alone it would not show
