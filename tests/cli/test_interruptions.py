"""A seeded share of the soak: commands struck at random moments, each held against the model.

The whole of it is `python -m tests.bench.interruptions`.
"""

import pytest

from tests.interruptions.cases import cases
from tests.interruptions.rounds import rounds, undisturbed
from tests.interruptions.strike import Signal
from tests.interruptions.world import World

SEED = 7
SHARE = ("mark", "export --links", "migration from 0008")


@pytest.fixture(scope="module")
def world(tmp_path_factory):
    """Write frames and the databases that commands start from."""
    return World(tmp_path_factory.mktemp("interruptions"))


@pytest.mark.slow
@pytest.mark.parametrize("name", SHARE)
def test_what_must_hold_holds(world, name):
    """Killed or stopped at a random moment: nothing is lost, and the next command heals."""
    (case,) = (case for case in cases(world) if case.name == name)
    known = undisturbed(world, case)
    for signal in (Signal.KILL, Signal.CTRL_C):
        tally = rounds(world, case, signal, 2, SEED, known)
        assert not tally.wrong
        assert tally.tried == 2
