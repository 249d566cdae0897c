"""What a selection takes whole, how it is said, and what helps against each failure."""

import pytest

from runlog.core.failures import FailureKind, cure_of_failure, kind_of_failure, place_of
from runlog.core.selection import EVERYTHING, Selection, Term
from runlog.core.student import student_t95


@pytest.mark.parametrize(
    ("asked", "runs", "groups", "all_time"),
    [
        ({}, True, True, True),
        ({"night": "2026-10-09", "rigs": ("Wren",)}, True, True, False),
        ({"target": "M 33", "filter": "L"}, False, True, True),
        ({"run_id": 7, "filter": "L"}, False, True, False),
        ({"grade": "keep"}, False, False, False),
        ({"terms": (Term("fwhm_px"),)}, False, False, False),
        ({"frame_ids": ()}, False, False, False),
    ],
)
def test_what_a_selection_takes_whole(asked, runs, groups, all_time):
    """Guards which sums may be read as they are stored, and which must be added up anew."""
    chosen = Selection(**asked)
    assert (chosen.of_whole_runs, chosen.of_whole_groups) == (runs, groups)
    assert chosen.is_all_time is all_time
    assert chosen.asks_nothing is (chosen == EVERYTHING)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({}, ""),
        ({"frame_ids": (1, 2)}, "2 named"),
        ({"night": "2026-10-09", "rigs": ("Wren", "Heron")}, "night 2026-10-09, rig Wren or Heron"),
        ({"near_deg": (10.68, -41.2692, 1.5)}, "within 1.5 deg of RA 10.6800, Dec -41.2692"),
    ],
)
def test_a_selection_in_words(asked, said):
    """Guards what the book of corrections says was meant."""
    assert Selection(**asked).in_words() == said


@pytest.mark.parametrize(
    ("reason", "kind"),
    [
        ("is not FITS", FailureKind.NOT_FITS),
        ("the file is empty", FailureKind.DAMAGED),
        ("cannot be opened", FailureKind.OUT_OF_REACH),
        ("what an earlier version said", FailureKind.UNKNOWN),
    ],
)
def test_a_failure_is_known_by_its_words(reason, kind):
    """Guards that a reason leads to its kind, and to what helps against that."""
    assert kind_of_failure(reason) is kind


def test_each_kind_of_failure_has_a_cure_of_its_own():
    """Guards a file that is no FITS from the cure of a damaged one."""
    reasons = ("is not FITS", "is empty", "cannot be opened", "what an earlier version said")
    assert len({cure_of_failure(reason) for reason in reasons}) == len(reasons)


def test_a_report_names_where_in_the_code_it_arose():
    """Guards what a person sends along: a module and a line, none of this machine's folders."""
    with pytest.raises(ValueError, match="freedom") as raised:
        student_t95(0)
    assert place_of(raised.value).startswith("core/student.py, line ")
    assert place_of(ValueError()) == "outside its own code"
