"""What a rig is called."""

import pytest

from runlog.store.runs import Rig


@pytest.mark.parametrize(
    ("rig", "name"),
    [
        (Rig("MonoCam 9", "Ladybird", 540.0, 3.76), "Ladybird + MonoCam 9"),
        (Rig("MonoCam 9", None, 540.0, 3.76), "MonoCam 9"),
        (Rig(None, None, None, None), "unnamed rig"),
        (Rig(None, None, 540.4, None), "unnamed rig, 540 mm"),
        (Rig(None, None, None, 9.0), "unnamed rig, 9.0 um pixels"),
        (Rig(None, None, 540.0, 3.76), "unnamed rig, 540 mm, 3.8 um pixels"),
    ],
)
def test_rigs_without_a_name_are_told_apart_by_what_is_known(rig, name):
    """Two rigs that no header names have two lines in a list of nights, unlike one another."""
    assert rig.name == name


def test_rounding_makes_one_name_as_it_makes_one_rig():
    """Frames of one rig never give it two names."""
    one, other = Rig(None, None, 539.8, 3.76), Rig(None, None, 540.2, 3.8)
    assert one.key == other.key
    assert one.name == other.name
