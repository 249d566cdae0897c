"""A few nights of numbers of each kind, held to the bars that `tests.bench.skies` prints."""

import pytest

from .skies import PARTS, RIGS

BARS = {
    "clean: frames kept": (0.98, 1.0),
    "clean: nights with false cloud, dew or obstruction": (0.0, 0.0),
    "tree: clean frames kept": (0.95, 1.0),
    "tree: frames covered by a third named obstructed": (0.95, 1.0),
    "dew: nights with its start within 3 frames": (1.0, 1.0),
    "cirrus: frames kept": (0.98, 1.0),
    "plateau: frames named cloud": (0.0, 0.0),
}


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("rig", RIGS, ids=lambda rig: f"{rig.shape[1]} px")
def test_the_bars_hold(rig, part):
    """Guards what is asked of trees, dew, cirrus and clean nights, on two drawn nights of each."""
    wrong: list[str] = []
    for tally in PARTS[part](rig, 2, wrong):
        least, most = BARS.get(tally.what, (0.0, 1.0))
        assert least <= tally.share <= most, (str(tally), wrong[:3])
