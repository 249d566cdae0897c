"""What is said of frames that are no fields of stars, and of few stars among other things.

Run `python -m tests.bench.unlike`; `--fields N` sets the number of frames of each kind.
"""

import argparse
import time
from collections.abc import Callable, Iterator

import numpy as np

from runlog.core.frame import Measurement
from runlog.measure import measure_frame
from tests.measure.fields import moffat, truth_of
from tests.measure.unlike import galaxies, knots, lamp, spectrum, stars_among_rays

LARGE_ERROR = 0.1  # of a width that nobody should rely on


def unsaid(found: Measurement) -> bool:
    """Whether a width is given without a note and a large error."""
    if found.fwhm_px is None:
        return False
    return not found.notes or (found.fwhm_px_err or 0.0) < LARGE_ERROR * found.fwhm_px


def empty_line(name: str, draw: Callable[[int], np.ndarray], fields: int) -> str:
    """Widths given and stars counted where there are no stars."""
    found = [measure_frame(draw(seed)) for seed in range(fields)]
    counts = [one.stars or 0 for one in found]
    return (
        f"{name}: width without a note and a large error {sum(map(unsaid, found))} of {fields}, "
        f"counted as stars: median {np.median(counts):.0f}, most {max(counts)}"
    )


def width_line(name: str, found: list[Measurement], truth_px: list[float]) -> str:
    """How right the width of few stars among other things is, and its error."""
    pairs = list(zip(found, truth_px, strict=True))
    known = [(one, truth) for one, truth in pairs if one.fwhm_px is not None]
    error = np.array([(one.fwhm_px or 0) / truth - 1 for one, truth in known])
    beyond = sum(
        abs((one.fwhm_px or 0) - truth) > max(0.06 * truth, 2 * (one.fwhm_px_err or 0))
        for one, truth in known
    )
    return (
        f"{name}: {len(known)} of {len(found)} have a width, median |error| "
        f"{100 * np.median(np.abs(error)):.1f} %, worst {100 * np.max(np.abs(error)):.0f} %, "
        f"beyond 6 % and twice the error {beyond}"
    )


def lines(fields: int) -> Iterator[str]:
    """All lines of the table."""
    yield empty_line("spectra with 60 cosmic rays", spectrum, fields)
    yield empty_line("lit screens with dust and specks", lamp, fields)
    for count in (1, 3, 8):
        yield empty_line(f"{count} galaxies, no star", lambda k, n=count: galaxies(k, n), fields)
    rng = np.random.default_rng(5)
    widths = rng.uniform(1.8, 4.5, fields)
    found = [measure_frame(knots(k, float(width))) for k, width in enumerate(widths)]
    truth = [truth_of(moffat(float(width), 3.0)).fwhm_px for width in widths]
    yield width_line("12 stars among 120 knots", found, truth)
    for stars in (2, 5):
        drawn = [stars_among_rays(k, float(w), stars, 40) for k, w in enumerate(widths)]
        found = [measure_frame(pixels) for pixels, _ in drawn]
        yield width_line(f"{stars} stars among 40 cosmic rays", found, [t for _, t in drawn])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--fields", type=int, default=24)
    options = parser.parse_args()
    began = time.perf_counter()
    for line in lines(options.fields):
        print(line, flush=True)
    print(f"   ({time.perf_counter() - began:.0f} s)")


if __name__ == "__main__":
    main()
