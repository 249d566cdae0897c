"""The reckoning of many workers, held against what a line of stations can do at most."""

import pytest

from tests.bench.cluster_many import Costs, simulate

MEASURED = Costs(0.2, 0.01, 0.002, 16e6, 1e15)


@pytest.mark.parametrize(
    ("workers", "costs", "most_s", "fullest"),
    [
        (2, MEASURED, 2 / 0.2, "worker"),
        (200, MEASURED, 1 / 0.01, "client"),
        (200, Costs(0.2, 0.001, 0.02, 16e6, 1e15), 1 / 0.02, "scheduler"),
        (50, Costs(0.2, 0.001, 0.002, 16e6, 160e6), 10.0, "link"),
    ],
)
def test_the_narrowest_place_decides(workers, costs, most_s, fullest):
    """Throughput of a closed line of stations: at most the narrowest one's (Little's law)."""
    ran = simulate(workers, costs, files=3000)
    assert ran.fullest == fullest
    assert 0.93 * most_s < ran.files_s <= 1.03 * most_s
