"""Frames without a name: gathered by where they point, in any order."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from runlog.core.targets.nameless import Nameless, gathered, name_of
from runlog.core.targets.names import TargetNames
from runlog.core.targets.places import place_name

FIELD_DEG = 1.6  # links reach 0.4 degrees
NAMES = TargetNames()


def frame(number, ra_deg, dec_deg, field_deg=FIELD_DEG):
    """Make a frame taken at some minute."""
    return Nameless(number, (f"2026-10-09T22:{number:02d}", f"{number:032x}"), ra_deg, dec_deg,
                    field_deg)  # fmt: skip


# Half an arcminute to both sides of 30 degrees 40 minutes, where the place's name changes.
DITHERED = [frame(n, 23.4 + 0.002 * n, 30 + 40 / 60 + (-1) ** n * 0.008) for n in range(8)]


def shapes(groups):
    """Give groups as sets of numbers."""
    return {frozenset(f.id for f in group) for group in groups}


def test_dithers_over_an_arcminute_are_one_target():
    """The IAU cuts coordinates off: dithers have two names alone, one together, the first's."""
    assert {place_name(f.ra_deg, f.dec_deg) for f in DITHERED} == {"J0133+3039", "J0133+3040"}
    (group,) = gathered(DITHERED)
    assert len(group) == 8
    assert name_of(group, NAMES, frozenset()) == "J0133+3040"


def test_a_name_a_person_used_stays():
    """Older nights found later do not take a name away that a goal or a rename was given under."""
    (group,) = gathered(DITHERED)
    assert name_of(group, NAMES, frozenset({"J0133+3039"})) == "J0133+3039"


@pytest.mark.parametrize(("apart_deg", "groups"), [(0.3, 1), (0.5, 2)])
def test_a_part_of_the_field(apart_deg, groups):
    """A quarter of the field's shorter side is one target; panels of a mosaic stay apart."""
    frames = [frame(1, 23.4, 30.0), frame(2, 23.4, 30.0 + apart_deg)]
    assert len(gathered(frames)) == groups


def test_the_smaller_field_says_what_is_near():
    """A narrow rig's two places in one wide frame are two, unless something links them."""
    narrow = [frame(1, 23.4, 30.0, 0.4), frame(2, 23.4, 30.3, 0.4)]
    assert len(gathered(narrow)) == 2
    assert len(gathered([*narrow, frame(3, 23.4, 30.15)])) == 3


def test_round_the_circle():
    """Right ascension has no border at 24 hours."""
    assert len(gathered([frame(1, 359.99, 60.0), frame(2, 0.01, 60.0)])) == 1


POINTINGS = st.lists(
    st.tuples(st.floats(0, 3), st.floats(-2, 2), st.sampled_from([0.4, 1.6])), max_size=25
)


@given(POINTINGS, st.randoms(use_true_random=False))
def test_order_changes_nothing(pointings, random):
    """Whatever order frames are scanned in, groups and names are the same."""
    frames = [frame(n, *pointing) for n, pointing in enumerate(pointings)]
    groups = gathered(frames)
    assert sorted(f.id for g in groups for f in g) == list(range(len(frames)))
    shuffled = frames[:]
    random.shuffle(shuffled)
    again = gathered(shuffled)
    assert shapes(again) == shapes(groups)
    named = [[name_of(g, NAMES, frozenset()) for g in found] for found in (groups, again)]
    assert named[0] == named[1]


def test_nights_to_come_change_no_name():
    """Later frames join; the first by date keeps naming the place."""
    (group,) = gathered(DITHERED[2:])
    before = name_of(group, NAMES, frozenset())
    later = replace(frame(59, 23.3, 30.5), first=("2027-01-01", "f"))
    (more,) = gathered([later, *DITHERED[2:]])
    assert name_of(more, NAMES, frozenset()) == before
