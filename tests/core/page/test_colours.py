"""Colours of a page: contrasts by WCAG 2.2, and that the style sheet uses what is declared."""

import re
from importlib.resources import files

import pytest

from runlog.core.page.colours import (
    DARK,
    DECORATION,
    LIGHT,
    MARKS_ON,
    TEXT_ON,
    contrast,
    pairs,
)

CSS = files("runlog").joinpath("templates", "page.css").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [
        ("#000000", "#ffffff", 21.0),  # WCAG 2.2, the definition of contrast ratio
        ("#767676", "#ffffff", 4.54),  # WCAG's own example of the darkest grey that fails 4.5
        ("#e69f00", "#ffffff", 2.25),  # Okabe and Ito's hues on white, by another's computation
        ("#56b4e9", "#ffffff", 2.31),
        ("#0072b2", "#ffffff", 5.19),
        ("#d55e00", "#ffffff", 3.87),
    ],
)
def test_contrast_is_that_of_the_standard(one, other, ratio):
    """Guards the formula: linear channels, 0.05 of flare, whichever comes first."""
    assert contrast(one, other) == pytest.approx(ratio, abs=0.006)
    assert contrast(one, other) == contrast(other, one)


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
@pytest.mark.parametrize(("name", "ground", "least"), list(pairs()))
def test_each_declared_pair_can_be_told_apart(palette, name, ground, least):
    """Guards text of 4.5 to 1 and marks of 3 to 1, on every ground they stand on."""
    assert contrast(palette[name], palette[ground]) >= least


def test_every_colour_is_declared_and_used():
    """Guards a colour that stands in the style sheet alone, so that no test sees it."""
    used = set(re.findall(r"var\(--([a-z-]+)\)", CSS))
    assert used == set(LIGHT) == set(DARK)
    assert used == {*TEXT_ON, *MARKS_ON, *DECORATION}
    assert not re.findall(r"#[0-9a-fA-F]{3,8}\b|rgb|hsl", CSS)


def test_text_has_a_colour_that_is_declared_for_text():
    """Guards words in a colour that is only far enough apart for marks."""
    for name in re.findall(r"[{;]\s*color:\s*var\(--([a-z-]+)\)", CSS):
        assert name in TEXT_ON
    for rule in re.findall(r"svg \.?[a-z-]*[^{}]*\{[^}]*font[^}]*\}", CSS):
        for name in re.findall(r"fill:\s*var\(--([a-z-]+)\)", rule):
            assert name in TEXT_ON
