"""How often steps and slopes are found and falsely claimed: python -m tests.bench.trends

Series of unit scatter, one value a night, neighbours correlated by 0.3 (AR 1), before correction
for many series. About four minutes.
"""

import sys
import time

import numpy as np

from runlog.core.trends.series import inflation_of
from runlog.core.trends.statistics import hamed_rao, mann_kendall, pettitt_p
from tests.core.trends.test_statistics import steady

LIMIT = 0.01


def main(share: float = 1.0) -> None:
    """Draw them all, or a share of them, and print what is found."""
    many, most = round(1000 * share), round(5000 * share)
    for n, sigma, count, correlation, wanted in (
        (60, 1.75, many, 0.3, "at least 90 %"),
        (160, 1.0, many, 0.3, "at least 90 %"),
        (60, 0.0, most, 0.3, "at most 1.5 %"),
        (60, 0.0, many, 0.0, "1 %"),
        (60, 0.0, many, 0.5, "not promised"),
        (24, 5.0, many, 0.3, "not promised"),
        (24, 0.0, most, 0.3, "not promised"),
    ):
        drawn = steady(count, n, correlation, seed=n + round(100 * sigma + 10 * correlation))
        drawn[:, n // 2 :] += sigma
        began = time.process_time()
        found = np.mean([pettitt_p(x) < LIMIT for x in drawn])
        spent_ms = 1000 * (time.process_time() - began) / count
        print(
            f"step {sigma} sigma, {n // 2} nights a side, correlation {correlation}: "
            f"{found:.2%} of {count} ({wanted}); {spent_ms:.0f} ms each",
            flush=True,
        )
    for correlation in (0.0, 0.3, 0.5):
        drawn = steady(many, 60, correlation, seed=9)
        claimed = np.mean([mann_kendall(x, hamed_rao(x)).p < LIMIT for x in drawn])
        ours = np.mean([mann_kendall(x, inflation_of(x)).p < LIMIT for x in drawn])
        plain = np.mean([mann_kendall(x).p < LIMIT for x in drawn])
        print(
            f"no trend, 60 nights, correlation {correlation}: claimed in {ours:.2%}, by Hamed "
            f"and Rao alone in {claimed:.2%}, by plain Mann-Kendall {plain:.2%} of {many}",
            flush=True,
        )


if __name__ == "__main__":
    main(*map(float, sys.argv[1:]))
