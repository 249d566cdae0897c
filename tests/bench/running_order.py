"""The order of a night's exposures against the optimum: `python -m tests.bench.running_order`.

200 drawn nights of at most 30 slots and 5 goals against what HiGHS (scipy) proves, and 60 whole
nights of 170 slots against the bound that is printed with them. Exit code 1 where a bar is missed.
"""

import numpy as np

from runlog.core.plan.order import best_order
from tests.core.plan.drawn import exact, problem

SMALL, WHOLE = 200, 60
LEAST, MIDDLE, POOREST = 0.99, 0.95, 0.88


def main() -> int:
    """Print both tables' ends."""
    shares = []
    for number in range(SMALL):
        night = problem(number)
        shares.append(best_order(night).value / exact(night))
    print(f"{SMALL} small nights: at least {min(shares):.4f} of the optimum (asked {LEAST})")
    bounds = [best_order(problem(n, 170, 30, 110)).share or 0.0 for n in range(WHOLE)]
    middle, poorest = float(np.median(bounds)), float(np.quantile(bounds, 0.05))
    print(f"{WHOLE} whole nights: {middle:.4f} of the bound in the median (asked {MIDDLE}), "
          f"{poorest:.4f} at the 5 % point (asked {POOREST})")  # fmt: skip
    return int(min(shares) < LEAST or middle < MIDDLE or poorest < POOREST)


if __name__ == "__main__":
    raise SystemExit(main())
