"""The sums that a warning waits for."""

from math import log

import numpy as np
import pytest

from runlog.core.watch.chart import ALARM, BAD, GOOD, Chart, warned, with_frame
from tests.core.runs import EVERY, START

REJECT, DOUBTFUL, CLEAN = {"cloud": 1.0}, {"cloud": 0.5}, {}


def _after(*frames: dict[str, float], chart: Chart | None = None) -> Chart:
    chart = chart or Chart()
    for n, found in enumerate(frames):
        chart = with_frame(chart, found, START + n * EVERY)
    return chart


def test_steps_are_log_likelihood_ratios():
    """Wald 1945: ln(p1/p0) for a bad frame, ln((1-p1)/(1-p0)) for a good one."""
    assert pytest.approx(log(0.7 / 0.02)) == BAD
    assert pytest.approx(log(0.3 / 0.98)) == GOOD
    assert _after(REJECT).score == pytest.approx(3.555, abs=0.001)
    assert _after(REJECT, CLEAN).score == pytest.approx(3.555 - 1.184, abs=0.001)


def test_third_reject_and_sixth_doubtful_frame_reach_it():
    """The numbers of the specification: 3 x 3.555 and 6 x 1.777 pass 10, one less does not."""
    assert not _after(REJECT, REJECT).reached
    assert _after(REJECT, REJECT, REJECT).reached
    assert not _after(*[DOUBTFUL] * 5).reached
    assert _after(*[DOUBTFUL] * 6).reached


def test_clean_frames_forget():
    """Page 1954: the sum never falls below nothing, and what led to it is forgotten there."""
    assert _after(REJECT, *[CLEAN] * 4) == Chart()


def test_one_bad_frame_in_fifty_by_chance_never_warns_in_a_night():
    """A frame bad by chance once in 20 passes once in about 5,000 frames.

    5,124 by a simulation of its own (specification); here within what 60 crossings allow.
    """
    random = np.random.default_rng(7)
    chart, crossings = Chart(), 0
    frames = 300_000
    for bad in random.random(frames) < 0.05:
        chart = with_frame(chart, REJECT if bad else CLEAN, START)
        if chart.score >= ALARM:
            chart, crossings = Chart(), crossings + 1
    assert frames / crossings == pytest.approx(5124, rel=0.35)


def test_third_good_frame_ends_it_and_a_bad_one_puts_that_off():
    """What was warned of is over at the third good frame in a row, no sooner."""
    on = warned(_after(REJECT, REJECT, REJECT), "cloud")
    assert not _after(CLEAN, CLEAN, chart=on).is_over
    assert _after(CLEAN, CLEAN, CLEAN, chart=on).is_over
    assert not _after(CLEAN, CLEAN, REJECT, CLEAN, CLEAN, chart=on).is_over


def test_leading_fault_is_the_one_most_frames_show():
    """Trouble of two faces is named by the more frequent."""
    chart = _after({"cloud": 1.0}, {"few-stars": 1.0}, {"few-stars": 1.0})
    assert chart.leading == "few-stars"
