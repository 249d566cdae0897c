"""A small share of the spoilt files that `python -m tests.bench.faults` draws, in a real scan."""

import pytest

from tests.faults.trial import run


@pytest.mark.parametrize("seed", [11])
def test_spoilt_files_cost_nothing_but_themselves(tmp_path, seed):
    """Each ends as a frame or in words, the good ones are as they are alone, memory is bounded."""
    trial = run(tmp_path, seed, count=48, bombs=3)
    assert len(trial.laid) >= 40
    assert {kind: words for kind, words in trial.broken.items() if words} == {}
