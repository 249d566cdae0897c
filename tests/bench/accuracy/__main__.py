"""How right the measurement is, against GalSim truth: prints a table, one line a number.

Run `python -m tests.bench.accuracy` (all sections) or name sections: psf round defocus counts
match strangers streaks. `--fields N` sets the number of PSF fields, `--draws N` that of matched
frames, `--seed` another draw, `--worst` lists the worst fields.
"""

import argparse
import time
from collections.abc import Callable

from tests.bench.accuracy.counts import section_counts
from tests.bench.accuracy.lines import Line
from tests.bench.accuracy.match import section_match, section_strangers
from tests.bench.accuracy.shapes import section_defocus, section_psf, section_round
from tests.bench.accuracy.streaks import section_streaks

SECTIONS: dict[str, Callable[[argparse.Namespace], list[Line]]] = {
    "psf": section_psf,
    "round": section_round,
    "defocus": section_defocus,
    "counts": section_counts,
    "streaks": section_streaks,
    "match": section_match,
    "strangers": section_strangers,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("sections", nargs="*", choices=[*SECTIONS, []], help="default: all")
    parser.add_argument("--fields", type=int, default=220)
    parser.add_argument("--draws", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--worst", action="store_true")
    options = parser.parse_args()
    for name in options.sections or SECTIONS:
        start = time.perf_counter()
        for line in SECTIONS[name](options):
            print(line)
        print(f"   ({name}: {time.perf_counter() - start:.0f} s)")


if __name__ == "__main__":
    main()
