"""Frames whose stars and sky do not fit the filter in their header."""

from runlog.core.grading.wrong_filter import wrong_filters
from tests.core.runs import changed, clean_run


def asked(frames):
    """Give the numbers of the frames that are asked about."""
    return [i for i, _ in wrong_filters(frames)]


def test_a_clean_run_raises_no_doubt():
    """Frames of one filter fit one another."""
    assert asked(clean_run()) == []


def test_a_narrow_filter_among_broad_ones_is_asked_about():
    """Stars and sky down by nearly the same factor are another filter, not a cloud."""
    run = changed(clean_run(), [7], ranked_flux_adu_s=8.0, background_adu=500 + 300 * 0.06)
    assert asked(run) == [7]


def test_a_broad_filter_among_narrow_ones_is_asked_about():
    """Stars and sky far brighter than ever are another filter."""
    run = changed(clean_run(), [7], ranked_flux_adu_s=420.0, background_adu=500 + 300 * 5)
    assert asked(run) == [7]


def test_a_cloud_and_moonlight_are_not_filters():
    """A cloud takes stars and not the sky; the Moon lights the sky and not the stars."""
    run = changed(clean_run(), [7], ranked_flux_adu_s=30.0, background_adu=500 + 300 * 1.2)
    run = changed(run, [9], background_adu=500 + 300 * 6)
    assert asked(run) == []
