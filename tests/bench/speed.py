"""How fast and how lean the measurement is, beside two recipes in the same process.

Run `OPENBLAS_NUM_THREADS=1 OMP_NUM_THREADS=1 python -m tests.bench.speed`. Times are the best of
several runs of the process's own CPU clock, so that a busy machine does not change them; every
method is timed in turn on the same frame. `--large` adds a 62 Mpx frame for the memory bound,
`--huge FOLDER` writes a 151 Mpx file there and reads it the way a worker of a scan does.
"""

import argparse
import time
import tracemalloc
import warnings
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import sep
from astropy.io import fits
from astropy.stats import SigmaClip
from photutils.background import Background2D, MedianBackground
from photutils.detection import DAOStarFinder
from photutils.segmentation import SourceCatalog, detect_sources

from runlog.config import Settings
from runlog.ingest.task import Outcome, Task, read_file
from runlog.measure import measure_frame
from tests.measure.fields import draw_field, moffat

SIZES = {"8 Mpx": (2448, 3264), "26 Mpx": (4176, 6248)}
STARS = {"8 Mpx": 1500, "26 Mpx": 5000}
HUGE_TILE, HUGE_TILES, HUGE_STARS = (2663, 3551), (4, 4), 1300
SEP_DEFAULT_STACK = 300_000
SEP_SIGMA = 1.5  # the threshold of sep's own tutorial; its 5 sigma is reported beside it


@dataclass(frozen=True)
class Timing:
    """Best CPU seconds of each method on one frame."""

    frame: str
    runlog_s: float
    sep_s: float
    sep_5_sigma_s: float
    photutils_s: float
    peak_share: float  # of the frame as float32


def fit_pixel_stack(pixels: np.ndarray, sigmas: float) -> None:
    """
    Give sep the smallest pixel stack that holds the frame, from its default upwards.

    sep clears the stack on every call: a needlessly large one would slow it down and flatter us.
    """
    size = SEP_DEFAULT_STACK
    while True:
        sep.set_extract_pixstack(size)
        try:
            sep_recipe(pixels, sigmas)
        except Exception as error:
            if "pixel buffer full" not in str(error):
                raise
            size *= 2
        else:
            return


def sep_recipe(pixels: np.ndarray, sigmas: float) -> None:
    """Background, subtract, extract, half-flux radius: the usual compiled recipe."""
    data = pixels.astype(np.float32)
    background = sep.Background(data)
    data = data - background.back()
    found = sep.extract(data, sigmas, err=background.globalrms)
    sep.flux_radius(data, found["x"], found["y"], 6 * found["a"], 0.5,
                    normflux=found["flux"], subpix=5)  # fmt: skip


def photutils_recipe(pixels: np.ndarray, fwhm_px: float) -> None:
    """Background2D, DAOStarFinder and SourceCatalog, as their documentation puts them together."""
    data = pixels.astype(float)
    background = Background2D(data, (64, 64), filter_size=(3, 3), sigma_clip=SigmaClip(3.0),
                              bkg_estimator=MedianBackground())  # fmt: skip
    data -= background.background
    sigma = background.background_rms_median
    DAOStarFinder(threshold=5 * sigma, fwhm=fwhm_px)(data)
    segments = detect_sources(data, 5 * sigma, n_pixels=5)
    catalog = SourceCatalog(data, segments)
    _ = catalog.fwhm, catalog.eccentricity, catalog.x_centroid, catalog.segment_flux


def best_of(work: Callable[[], object], turns: int) -> float:
    """Least CPU time of several runs."""
    spent = []
    for _ in range(turns):
        start = time.process_time()
        work()
        spent.append(time.process_time() - start)
    return min(spent)


def peak_share(pixels: np.ndarray) -> float:
    """Peak memory of a measurement over the frame as float32 (the caller's array not counted)."""
    tracemalloc.start()
    measure_frame(pixels)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / (4 * pixels.size)


def time_frame(label: str, pixels: np.ndarray, fwhm_px: float, turns: int) -> Timing:
    measure_frame(pixels)
    ours, deep, shallow = [], [], []
    for _ in range(turns):  # in turn, so that a busy spell hits all alike
        ours.append(best_of(lambda: measure_frame(pixels), 1))
        fit_pixel_stack(pixels, SEP_SIGMA)
        deep.append(best_of(lambda: sep_recipe(pixels, SEP_SIGMA), 1))
        fit_pixel_stack(pixels, 5.0)
        shallow.append(best_of(lambda: sep_recipe(pixels, 5.0), 1))
    return Timing(
        label,
        min(ours),
        min(deep),
        min(shallow),
        best_of(lambda: photutils_recipe(pixels, fwhm_px), 1),
        peak_share(pixels),
    )


def show(timing: Timing) -> None:
    to_sep = timing.runlog_s / timing.sep_s
    faster = timing.photutils_s / timing.runlog_s
    # judged against the faster of the two sep runs
    beside_fastest = timing.runlog_s / timing.sep_5_sigma_s
    passed = beside_fastest <= 1.3 and faster >= 8 and timing.peak_share <= 3
    print(
        f"{timing.frame:18s} {timing.runlog_s:7.3f} {timing.sep_s:7.3f} {to_sep:6.2f}"
        f" {timing.sep_5_sigma_s:7.3f} {beside_fastest:6.2f}"
        f" {timing.photutils_s:8.2f} {faster:6.1f} {timing.peak_share:7.2f}"
        f"   {'pass' if passed else 'FALLS SHORT'}"
    )


def write_huge(path: Path) -> int:
    """Write a frame of tiles with a trail across it as 16-bit FITS; give its pixels."""
    height, width = HUGE_TILE
    drawn = draw_field(moffat(3.0), seed=1, stars=HUGE_STARS, height=height, width=width)
    pixels = np.tile(drawn.pixels, HUGE_TILES)
    across = (1000 + 0.7 * np.arange(pixels.shape[0])).astype(int)
    for aside, light in ((-2, 60), (-1, 250), (0, 400), (1, 250), (2, 60)):
        pixels[np.arange(pixels.shape[0]), across + aside] += np.uint16(light)
    file = fits.PrimaryHDU(pixels)
    file.header.update(IMAGETYP="LIGHT", EXPTIME=120.0, INSTRUME="camera")
    file.header["DATE-OBS"] = "2026-01-01T20:00:00"
    file.writeto(path, overwrite=True)
    return int(pixels.size)


def most_memory_bytes() -> int:
    """Most memory this process ever held; unlike ru_maxrss it forgets what forked it."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.split("VmHWM:")[1].split()[0]) * 1024


def read_watched(task: Task | None) -> tuple[Outcome | None, int, float, float]:
    """Read a file in a worker: the result, its most memory, wall and CPU seconds."""
    import runlog.ingest.read  # noqa: F401 - its imports are no part of the frame's memory

    wall, cpu = time.perf_counter(), time.process_time()
    outcome = None if task is None else read_file(task)
    spent = time.perf_counter() - wall, time.process_time() - cpu
    return outcome, most_memory_bytes(), *spent


def huge_line(folder: Path) -> str:
    """Read a 151 Mpx file in one worker: memory in frames of float32, and seconds."""
    path = folder / "huge.fits"
    count = write_huge(path)
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as executor:
        before = executor.submit(read_watched, None).result()[1]
        task = Task(bytes(path), (path.name,), Settings().rules)
        outcome, peak, wall, cpu = executor.submit(read_watched, task).result()
    path.unlink()
    if outcome is None or outcome.frame is None or outcome.frame.measurement is None:
        raise SystemExit(f"the frame was not measured: {outcome and outcome.failure}")
    found = outcome.frame.measurement
    share, whole = (peak - before) / (4 * count), peak / (4 * count)
    return (
        f"{count / 1e6:.0f} Mpx through ingest: {share:.2f} of float32 above the idle worker,"
        f" {whole:.2f} in all (<= 3); {wall:.0f} s, {cpu:.1f} s of CPU; {found.stars} stars,"
        f" {len(found.streaks)} trail"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--turns", type=int, default=5)
    parser.add_argument("--large", action="store_true")
    parser.add_argument("--huge", type=Path, metavar="FOLDER")
    options = parser.parse_args()
    warnings.simplefilter("ignore")
    if options.huge is not None:
        print(huge_line(options.huge))
        return
    print(f"{'':18s} {'runlog':>7s} {'sep':>7s} {'ratio':>6s} {'sep 5s':>7s} {'ratio':>6s}"
          f" {'photutils':>8s} {'times':>5s} {'memory':>7s}")  # fmt: skip
    print(f"{'asked':18s} {'s':>7s} {'s':>7s} {'<= 1.3':>6s} {'s':>7s} {'':6s} {'s':>8s}"
          f" {'>= 8':>6s} {'<= 3':>7s}")  # fmt: skip
    for size, (height, width) in SIZES.items():
        for fwhm in (2.5, 8.0):
            drawn = draw_field(moffat(fwhm), seed=1, stars=STARS[size], height=height, width=width)
            show(time_frame(f"{size}, {fwhm} px", drawn.pixels, fwhm, options.turns))
    if options.large:
        drawn = draw_field(moffat(3.0), seed=1, stars=8000, height=6388, width=9576)
        print(f"61 Mpx, 3.0 px: peak memory {peak_share(drawn.pixels):.2f} of float32 (<= 3)")


if __name__ == "__main__":
    main()
