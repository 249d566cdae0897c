"""Where on the sensor a frame lies: SBFITSEXT 1.0 and NOAO dictionary 1.0, both from memory."""

import pytest

from runlog.core.frame import Card
from runlog.core.header.region import read_origin


def origin(binning=(1, 1), aliases=None, **cards):
    """Read the origin from some cards."""
    return read_origin([Card(k, v, "") for k, v in cards.items()], binning, aliases)


@pytest.mark.parametrize(
    ("cards", "found"),
    [
        ({"XORGSUBF": 100, "YORGSUBF": 40}, (100, 40)),
        ({"XORGSUBF": 0, "YORGSUBF": 0}, (0, 0)),
        ({"XORGSUBF": "100", "YORGSUBF": 40.0}, (100, 40)),
        ({"XORGSUBF": 100}, None),  # half a place is none
        ({"DETSEC": "[101:1100,41:840]"}, (100, 40)),
        ({"CCDSEC": "[ 101 : 1100 , 41 : 840 ]"}, (100, 40)),
        ({"DETSEC": "[1100:101,41:840]"}, (100, 40)),  # read out backwards
        ({"DETSEC": "whole"}, None),
        ({"DATASEC": "[101:1100,41:840]"}, None),  # of the image array, not of the sensor
        ({"OBJECT": "M 33"}, None),
        ({}, None),
    ],
)
def test_origin(cards, found):
    """Cards that tell a place, and those that do not."""
    assert origin(**cards) == found


def test_binned_pixels():
    """XORGSUBF counts binned pixels, DETSEC unbinned ones."""
    assert origin((2, 3), XORGSUBF=100, YORGSUBF=40) == (200, 120)
    assert origin((2, 3), DETSEC="[201:400,121:300]") == (200, 120)


def test_own_keywords():
    """A keyword of the person's own leads."""
    own = {"region_x": ("MYX",), "region_y": ("MYY",)}
    assert origin(aliases=own, MYX=7, MYY=8, XORGSUBF=1, YORGSUBF=1) == (7, 8)
