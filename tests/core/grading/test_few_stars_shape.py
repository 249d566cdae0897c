"""What few stars leave open is held against nobody."""

import pytest

from runlog.core.frame import FaultName, Grade
from runlog.core.grading.width import width_words
from tests.core.grading.test_grade import first_fault, grades
from tests.core.runs import altered, clean_run, trail


def test_a_shape_that_rests_on_one_star_is_no_trail():
    """Guards frames with a star or two: e 0.7 +- 0.5 may be round, e 0.7 +- 0.01 may not."""
    run = clean_run()
    sharp = run[7].measurement
    run[7] = altered(trail(run[7], 1.5), fwhm_px=sharp.fwhm_px, hfr_px=sharp.hfr_px)
    sure = altered(run[7], eccentricity_err=0.01)
    unsure = altered(run[7], eccentricity_err=0.5, alignment=1.0)
    run[7] = sure
    assert first_fault(grades(run)[7]) is FaultName.TRAILED
    run[7] = unsure
    assert grades(run)[7].grade is Grade.KEEP


@pytest.mark.parametrize(("error_px", "grade"), [(0.05, None), (1.8, Grade.KEEP)])
def test_a_width_that_rests_on_few_stars_is_no_defocus(error_px, grade):
    """Guards frames with a galaxy or two left: twice the width +- 40 % rejects nothing."""
    run = clean_run()
    sharp = run[7].measurement
    wide = {"fwhm_px": 2 * sharp.fwhm_px, "hfr_px": 2 * sharp.hfr_px, "fwhm_px_err": error_px}
    run[7] = altered(run[7], **wide)
    found = grades(run)[7].grade
    assert found is grade if grade else found is not Grade.KEEP


def test_the_evidence_says_how_unsure_it_is():
    """Guards the words: the error is named where few stars leave much open."""
    run = clean_run()
    run[7] = altered(trail(run[7], 3.0), eccentricity_err=0.2)
    assert "± 0.20 (few stars)" in next(
        fault.evidence for fault in grades(run)[7].faults if fault.name is FaultName.TRAILED
    )


@pytest.mark.parametrize(
    ("error_px", "words"),
    [(None, "FWHM 4.0 px,"), (0.2, "FWHM 4.0 px,"), (0.9, "FWHM 4.0 ± 0.9 px (few stars), at le")],
)
def test_a_width_is_said_with_the_error_that_few_stars_leave(error_px, words):
    """Guards the words of a width: an error beyond the usual few percent is said."""
    (frame,) = clean_run(1, fwhm_px=4.0, fwhm_px_err=error_px)
    assert width_words(frame).startswith(words)
