"""One spelling for each catalogue number."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.targets import NO_TARGET, fold_target


@pytest.mark.parametrize(
    ("written", "folded"),
    [
        ("M33", "M 33"),
        ("m 33", "M 33"),
        ("Messier_033", "M 33"),
        ("NGC7000", "NGC 7000"),
        ("ngc 7000", "NGC 7000"),
        ("IC-1396", "IC 1396"),
        ("Sh2-155", "Sh2-155"),
        ("SH 2 155", "Sh2-155"),
        ("Barnard 33", "B 33"),
        ("Abell 39", "Abell 39"),
        ("LDN1235", "LDN 1235"),
    ],
)
def test_designations_fold(written, folded):
    """Catalogue numbers get the spelling catalogues print (common practice, no source)."""
    assert fold_target(written) == folded


@pytest.mark.parametrize("name", ["NGC 7000 panel 2", "Home field"])
def test_other_names_are_kept(name):
    """A name with more than a designation keeps its words: panels are targets of their own."""
    assert fold_target(name) == name


@pytest.mark.parametrize("name", [None, "", "  ", "_"])
def test_no_name(name):
    """A frame without a target says so."""
    assert fold_target(name) == NO_TARGET


@given(st.text(max_size=30))
def test_folding_twice_is_folding_once(name):
    """What is folded stays as it is, so totals and questions meet."""
    assert fold_target(fold_target(name)) == fold_target(name)
