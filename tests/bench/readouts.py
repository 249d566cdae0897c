"""Read-out faults put into real frames among untouched ones: how many are named, how many others.

`python -m tests.bench.readouts FOLDER` takes every FITS frame under FOLDER (it is only read). Of a
camera with several frames most stay as they are; a camera with a single one gets companions, the
same frame with fresh noise of half its own. All are scanned by the real command into fresh
databases, the faults drawn from a fixed seed.
"""

import argparse
import gzip
import tempfile
import warnings
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from astropy.io import fits

from tests.tools import runlog, runlog_json

Picture = npt.NDArray[Any]
Random = np.random.Generator
FEWEST = 6  # frames of a camera; fewer get companions
COMPANIONS = 8
ONE_IN = 4  # frames is spoiled at a time
SMALLEST_SIDE_PX = 100
SLOWEST_S = 900  # a scan; what is asked here is not how long it takes
STARTS = "2021-03-04T{:02d}:{:02d}:00.000"
# Cards that would give companions one start.
TIMES = "TIME-OBS UT UTC UTSTART UTC-OBS MJD-OBS JD DATE TIME UTSHUT MJD LST ST DATE-END".split()


@dataclass(frozen=True, slots=True)
class Fault:
    """What is done to a frame's rows, and how strongly."""

    kind: str
    strength: float

    @property
    def name(self) -> str:
        """Name it in the table."""
        return f"{self.kind} {self.strength:g} {UNITS[self.kind]}"


UNITS = {
    "band": "sigma", "bands": "sigma", "shifted to the end": "px", "shifted rows": "px",
    "repeated": "rows", "half blank": "of the frame", "half repeated": "",
}  # fmt: skip
FAULTS = [
    *(Fault("band", s) for s in (1, -1, 3, -3, 10, -10)),
    *(Fault("bands", s) for s in (1, 3, 10)),
    *(Fault("shifted to the end", s) for s in (3, 12, 60)),
    *(Fault("shifted rows", s) for s in (3, 12, 60)),
    *(Fault("repeated", s) for s in (1, 3, 40)),
    *(Fault("half blank", s) for s in (0.15, 0.6)),
    Fault("half repeated", 1),
]


def noise_adu(picture: Picture) -> float:
    """Noise of one pixel: from differences two rows apart, whole numbers spread."""
    apart = (picture[2:].astype(float) - picture[:-2]).ravel()
    apart = apart[np.isfinite(apart)]
    if picture.dtype.kind in "iu":
        apart = apart + np.random.default_rng(0).random(apart.size) - 0.5
    return float(1.4826 * np.median(np.abs(apart - np.median(apart))) / np.sqrt(2))


def as_stored(values: npt.NDArray[np.float64], kind: np.dtype[Any]) -> Picture:
    """Round and clip to the type a frame is stored in."""
    if kind.kind in "iu":
        limits = np.iinfo(kind)
        values = np.clip(np.rint(values), limits.min, limits.max)
    return values.astype(kind)


def spoiled(picture: Picture, fault: Fault, random: Random) -> Picture:
    """Give a copy of a picture with one fault of the read-out."""
    spoiled = picture.copy()
    SPOIL[fault.kind](spoiled, fault.strength, random)
    return spoiled


def _raise(rows: Picture, by_adu: float) -> None:
    rows[:] = as_stored(rows.astype(float) + by_adu, rows.dtype)


def _band(picture: Picture, sigma: float, random: Random) -> None:
    height = len(picture)
    rows = int(random.integers(6, max(8, height // 12)))
    first = int(random.integers(0.1 * height, 0.85 * height))
    _raise(picture[first : first + rows], sigma * noise_adu(picture))


def _bands(picture: Picture, sigma: float, random: Random) -> None:
    height, noise = len(picture), noise_adu(picture)
    for _ in range(int(random.integers(3, 9))):
        rows = int(random.integers(4, 30))
        first = int(random.integers(0.05 * height, 0.9 * height))
        _raise(picture[first : first + rows], float(random.choice([-1, 1])) * sigma * noise)


def _shift_to_end(picture: Picture, shift_px: float, random: Random) -> None:
    first = int(random.uniform(0.15, 0.85) * len(picture))
    way = int(shift_px) * int(random.choice([-1, 1]))
    picture[first:] = np.roll(picture[first:], way, axis=1)


def _shift_rows(picture: Picture, shift_px: float, random: Random) -> None:
    first = int(random.uniform(0.15, 0.6) * len(picture))
    stop = first + int(random.uniform(0.1, 0.3) * len(picture))
    picture[first:stop] = np.roll(picture[first:stop], int(shift_px), axis=1)


def _repeat(picture: Picture, rows: float, random: Random) -> None:
    first, count = int(random.uniform(0.1, 0.5) * len(picture)), int(rows)
    picture[first + count : first + 2 * count] = picture[first : first + count]


def _blank(picture: Picture, share: float, _random: Random) -> None:
    picture[round(len(picture) * (1 - share)) :] = 0


def _repeat_half(picture: Picture, _share: float, _random: Random) -> None:
    half = len(picture) // 2
    picture[len(picture) - half :] = picture[:half]


SPOIL: dict[str, Callable[[Picture, float, Random], None]] = {
    "band": _band, "bands": _bands, "shifted to the end": _shift_to_end,
    "shifted rows": _shift_rows, "repeated": _repeat, "half blank": _blank,
    "half repeated": _repeat_half,
}  # fmt: skip


# --- real frames ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Real:
    """One frame of the folder: its pixels and its header."""

    name: str
    picture: Picture
    header: fits.Header


def real_frames(folder: Path) -> Iterator[Real]:
    """Read the frames of one picture each; what is anything else is left out."""
    for path in sorted(folder.rglob("*")):
        if not any(part in path.name for part in (".fit", ".fts")):
            continue
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                yield from _pictures(path)
        except (OSError, ValueError, gzip.BadGzipFile) as error:
            print(f"  left out: {path.name}: {error}")


def _pictures(path: Path) -> Iterator[Real]:
    with fits.open(path) as opened:
        found = [hdu for hdu in opened if hdu.data is not None and hdu.data.ndim == 2]
        if len(found) != 1 or min(found[0].data.shape) < SMALLEST_SIDE_PX:
            return
        data = found[0].data
        native = data.astype(data.dtype.newbyteorder("="))
        header = opened[0].header.copy()
        if found[0] is not opened[0]:
            header.extend(found[0].header, update=True)
        yield Real(path.name.split(".fit")[0], native, header)


def cameras(frames: Sequence[Real]) -> dict[str, list[Real]]:
    """Group frames whose rows can be compared: one camera, one size."""
    groups: dict[str, list[Real]] = defaultdict(list)
    for frame in frames:
        camera = frame.header.get("INSTRUME", "no camera")
        groups[f"{camera} {frame.picture.shape[1]}x{frame.picture.shape[0]}"].append(frame)
    return {
        name if len(own) >= FEWEST else f"{name} ({one.name[:26]})": group
        for name, own in groups.items()
        for one, group in ([(own[0], own)] if len(own) >= FEWEST else [(o, [o]) for o in own])
    }


def companions(real: Real, random: Random) -> list[Real]:
    """Draw frames like one: the same with fresh noise, each with a start of its own."""
    noise = noise_adu(real.picture)
    drawn = []
    for i in range(COMPANIONS):
        fresh = real.picture + random.normal(0, noise / 2, real.picture.shape)
        header = real.header.copy()
        for keyword in TIMES:
            header.remove(keyword, ignore_missing=True, remove_all=True)
        header["DATE-OBS"] = STARTS.format(2 + i // 6, 10 * (i % 6))
        drawn.append(Real(f"{real.name}_{i}", as_stored(fresh, real.picture.dtype), header))
    return drawn


# --- scanning -------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Answer:
    """What runlog said of one frame."""

    fault: Fault | None  # what was put in
    named: bool
    evidence: str


def scan_round(group: Sequence[Real], faults: dict[int, Fault], random: Random) -> list[Answer]:
    """Write a group with some frames spoiled, scan it, and read what was found."""
    with tempfile.TemporaryDirectory() as name:
        home = Path(name)
        (home / "frames").mkdir()
        for i, real in enumerate(group):
            fault = faults.get(i)
            picture = spoiled(real.picture, fault, random) if fault else real.picture
            _write(home / "frames" / f"{i:03d}.fits", picture, real.header)
        done = runlog(home, "scan", home / "frames", "--workers", "2", timeout_s=SLOWEST_S)
        if done.returncode not in (0, 1):
            raise RuntimeError(done.stderr)
        rows = runlog_json(home, "frames")["rows"]
        return [_answer(row, faults) for row in rows if row["kind"] == "light"]


def _write(path: Path, picture: Picture, header: fits.Header) -> None:
    kept = header.copy()
    for keyword in ("BZERO", "BSCALE", "XTENSION", "PCOUNT", "GCOUNT", "EXTNAME", "CHECKSUM",
                    "DATASUM", "BLANK"):  # fmt: skip
        kept.remove(keyword, ignore_missing=True, remove_all=True)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fits.PrimaryHDU(picture, kept).writeto(path, output_verify="silentfix")


def _answer(row: dict[str, Any], faults: dict[int, Fault]) -> Answer:
    number = int(Path(row["path"]).stem)
    named = "readout" in row["faults"]
    return Answer(faults.get(number), named, str(row["evidence"].get("readout", "")))


def rounds(count: int, faults: Sequence[Fault]) -> Iterator[dict[int, Fault]]:
    """Hand the faults out, so many frames apart that most of a group stays untouched."""
    waiting = list(faults)
    at_once = max(1, count // ONE_IN)
    turn = 0
    while waiting:
        places = [(turn + i * ONE_IN) % count for i in range(at_once)]
        taken, waiting = waiting[:at_once], waiting[at_once:]
        yield dict(zip(places, taken, strict=False))
        turn += 1


def measure(
    folder: Path, seed: int = 1, camera: str = "", fault: str = ""
) -> dict[str, list[Answer]]:
    """Spoil, scan and ask, camera by camera."""
    found: dict[str, list[Answer]] = {}
    faults = [f for f in FAULTS if fault in f.name]
    for name, own in cameras(list(real_frames(folder))).items():
        if camera not in name:
            continue
        random = np.random.default_rng(seed)
        group = own if len(own) >= FEWEST else companions(own[0], random)
        for put_in in rounds(len(group), faults):
            found.setdefault(name, []).extend(scan_round(group, put_in, random))
    return found


def report(found: dict[str, list[Answer]]) -> None:
    """Print what was named of what was put in, by camera and by fault."""
    by_fault: dict[str, list[bool]] = defaultdict(list)
    for name, answers in found.items():
        put_in = [a for a in answers if a.fault]
        false = [a for a in answers if a.named and not a.fault]
        untouched = len(answers) - len(put_in)
        named = sum(a.named for a in put_in)
        print(f"{name:44} {named:3} of {len(put_in):3} named, {len(false)} of {untouched} others")
        for answer in false[:3]:
            print(f"    false: {answer.evidence}")
        for answer in put_in:
            assert answer.fault is not None
            by_fault[answer.fault.name].append(answer.named)
            if not answer.named:
                print(f"    missed: {answer.fault.name}")
    for fault, hits in by_fault.items():
        print(f"  {fault:32} {sum(hits):3} of {len(hits):3}")
    total = [hit for hits in by_fault.values() for hit in hits]
    if total:
        print(f"all: {sum(total)} of {len(total)} named ({sum(total) / len(total):.0%})")


def main() -> None:
    """Run as a command."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--camera", default="", help="only cameras whose name holds this")
    parser.add_argument("--fault", default="", help="only faults whose name holds this")
    chosen = parser.parse_args()
    report(measure(chosen.folder, chosen.seed, chosen.camera, chosen.fault))


if __name__ == "__main__":
    main()
