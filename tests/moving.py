"""Files that move while they are scanned: scripts of what happens to each, and what must hold.

The truth is what astropy reads in the headers of the files that lie there when all has settled.
Writing is watched by inotify(7): it tells of every file closed that was open for writing.
"""

import gzip
import hashlib
import json
import os
import random
import shutil
import subprocess
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from astropy.io import fits

from tests.opened import Writes
from tests.tools import argv, environment, moment, noise, runlog, write_frame

SHAPE = (300, 400)
FIRST_S = 200  # an exposure of its own length each: 200 s, 201 s, ...
FITS_NAMES = ("*.fits", "*.FITS", "*.fits.gz", "*.fits.fz")
Exposure = tuple[str, float]


@dataclass(slots=True)
class Place:
    """Where one exposure's file lies, on two disks where there are two."""

    number: int
    folder: Path
    other_disk: Path
    rng: random.Random

    @property
    def path(self) -> Path:
        """Give where the file lies by its first name."""
        return self.folder / f"light_{self.number:03d}.fits"

    def write(self, path: Path, *, seed: int | None = None, **cards: Any) -> Path:
        """Write the frame."""
        own = {"DATE__OBS": moment(312 * self.number), "EXPTIME": float(FIRST_S + self.number)}
        pixels = noise(self.number if seed is None else seed, SHAPE)
        return write_frame(path, pixels, **{**own, **cards})

    def bytes(self, **cards: Any) -> bytes:
        """Give the frame as it is written."""
        aside = self.write(self.folder / f".{self.number}.aside", **cards)
        whole = aside.read_bytes()
        aside.unlink()
        return whole


# Each step is taken at a random moment of the scan, the first before it begins.
Script = Callable[[Place], Iterator[None]]


def grows(at: Place) -> Iterator[None]:
    """Be written in pieces, as by a slow camera or copy."""
    whole = at.bytes()
    cuts = sorted(at.rng.sample(range(1, len(whole)), 7))
    for start, end in zip([0, *cuts], [*cuts, len(whole)], strict=True):
        with open(at.path, "ab") as file:
            file.write(whole[start:end])
        yield


def renamed_when_whole(at: Place) -> Iterator[None]:
    """Be written by another name and get its own when it is whole."""
    before = at.rng.choice((f"{at.path}.part", at.path.with_name(f".{at.path.name}.tmp")))
    whole = at.bytes()
    Path(before).write_bytes(whole[: len(whole) // 2])
    yield
    Path(before).write_bytes(whole)
    yield
    os.replace(before, at.path)


def vanishes(at: Place) -> Iterator[None]:
    """Be deleted."""
    at.write(at.path)
    yield
    at.path.unlink()


def other_header(at: Place) -> Iterator[None]:
    """Be saved again with other cards, in place or by way of another file; twice."""
    at.write(at.path)
    for _ in range(2):
        yield
        new = at.bytes(
            **at.rng.choice(
                ({"OBSERVER": "somebody"}, {"FILTER": "Ha"}, {"EXPTIME": FIRST_S + at.number + 0.5})
            )
        )
        if at.rng.random() < 0.5:
            at.path.write_bytes(new)
        else:
            (aside := at.path.with_suffix(".new")).write_bytes(new)
            os.replace(aside, at.path)


def other_pixels(at: Place) -> Iterator[None]:
    """Be saved again with other pixels."""
    at.write(at.path)
    yield
    aside = at.write(at.path.with_suffix(".new"), seed=1000 + at.number)
    os.replace(aside, at.path)


def gzipped(at: Place) -> Iterator[None]:
    """Be packed by gzip, which writes the new file and then takes the old away."""
    at.write(at.path)
    yield
    whole, new = at.path.read_bytes(), Path(f"{at.path}.gz")
    with open(new, "wb") as file:
        packed = gzip.compress(whole)
        file.write(packed[:5000])
        file.flush()
        yield
        file.write(packed[5000:])
    yield
    at.path.unlink()


def packed_in_tiles(at: Place) -> Iterator[None]:
    """Be packed in Rice tiles, then go."""
    at.write(at.path)
    yield
    with fits.open(at.path) as opened:
        packed = fits.CompImageHDU(opened[0].data, opened[0].header, compression_type="RICE_1")
        fits.HDUList([fits.PrimaryHDU(), packed]).writeto(f"{at.path}.fz")
    yield
    at.path.unlink()


def copied(at: Place) -> Iterator[None]:
    """Get a second name."""
    at.write(at.path)
    yield
    shutil.copy(at.path, at.folder / f"copy of {at.path.name}")


def moved(at: Place) -> Iterator[None]:
    """Move into another folder and back, and stay at either."""
    at.write(at.path)
    inner = at.folder / "sorted" / at.path.name
    inner.parent.mkdir(exist_ok=True)
    for old, new in ((at.path, inner), (inner, at.path))[: at.rng.choice((1, 2))]:
        yield
        os.replace(old, new)


def to_another_disk(at: Place) -> Iterator[None]:
    """Move to another disk, where it is copied and then deleted; and sometimes back."""
    at.write(at.path)
    there = at.other_disk / at.path.name
    for old, new in ((at.path, there), (there, at.path))[: at.rng.choice((1, 2))]:
        yield
        shutil.copyfile(old, new)
        yield
        old.unlink()


def other_case(at: Place) -> Iterator[None]:
    """Get a name that differs by case alone, beside which the old one comes again as a copy."""
    at.write(at.path)
    upper = at.path.with_name(at.path.name.upper())
    yield
    os.replace(at.path, upper)
    yield
    shutil.copy(upper, at.path)


def touched(at: Place) -> Iterator[None]:
    """Get another time of change."""
    at.write(at.path)
    yield
    os.utime(at.path, (1.7e9 + at.number, 1.7e9 + at.number))


def linked(at: Place) -> Iterator[None]:
    """Be put in place of itself by a symbolic link to a file elsewhere."""
    at.write(at.path)
    yield
    away = at.other_disk / "linked" / at.path.name
    away.parent.mkdir(exist_ok=True)
    shutil.copyfile(at.path, away)
    (aside := at.path.with_suffix(".new")).symlink_to(away)
    os.replace(aside, at.path)


def becomes_a_pipe(at: Place) -> Iterator[None]:
    """Make way for a pipe that nobody writes to, and come back."""
    at.write(at.path)
    kept = at.path.read_bytes()
    yield
    at.path.unlink()
    os.mkfifo(at.path)
    yield
    at.path.unlink()
    at.path.write_bytes(kept)


def folder_goes(at: Place) -> Iterator[None]:
    """Lie in a folder that is taken away, as a disk is unplugged, and comes back."""
    inner = at.folder / f"disk {at.number}"
    for i in range(3):
        at.write(inner / f"{i}.fits", DATE__OBS=moment(312 * at.number + 100 * i),
                 EXPTIME=60.0 + i, seed=2000 + 10 * at.number + i)  # fmt: skip
    away = at.folder.with_name(f"away {at.number}")
    yield
    os.replace(inner, away)
    yield
    os.replace(away, inner)


SCRIPTS: dict[str, Script] = {
    "growing while read": grows,
    "renamed from a temporary name": renamed_when_whole,
    "vanishing": vanishes,
    "saved with another header": other_header,
    "saved with other pixels": other_pixels,
    "gzipped": gzipped,
    "packed in tiles": packed_in_tiles,
    "copied under a second name": copied,
    "moved to another folder": moved,
    "moved to another disk (and back)": to_another_disk,
    "names that differ by case": other_case,
    "touched": touched,
    "replaced by a link": linked,
    "replaced by a pipe for a while": becomes_a_pipe,
    "folder gone for a while": folder_goes,
}


@dataclass(slots=True)
class Trial:
    """What was moved during one scan, and what did not hold."""

    tried: Counter[str] = field(default_factory=Counter)
    during: int = 0  # steps taken while the scan ran
    broken: list[str] = field(default_factory=list)


def run(home: Path, seed: int, names: list[str], *, other_disk: Path | None = None) -> Trial:
    """Scan while files move; then scan when they have settled, twice; compare with the headers."""
    rng, trial = random.Random(seed), Trial(Counter(names))
    folder, other = home / "frames", (other_disk or home) / "other disk"
    folder.mkdir(parents=True)
    other.mkdir(parents=True)
    scripts = []
    for number, name in enumerate(names):
        script = SCRIPTS[name](Place(number, folder, other, rng))
        next(script)
        scripts.append(script)
    known = set(exposures_of(folder, other))
    if rng.random() < 0.5:  # else all is new
        _said(trial, "before", runlog(home, "scan", folder, other, "--workers", "2", "--json"))
    _scan_in_motion(trial, home, [folder, other], scripts, rng)
    _judge_settled(trial, home, folder, other, known)
    return trial


def _scan_in_motion(
    trial: Trial, home: Path, folders: list[Path], scripts: list[Iterator[None]], rng: random.Random
) -> None:
    words = argv("scan", *folders, "--workers", "2", "--json")
    env = environment(home, RUNLOG_DB=str(home / "night.sqlite"))
    out, err = home / "out", home / "err"
    with open(out, "w") as o, open(err, "w") as e:
        process = subprocess.Popen(words, env=env, cwd=home, stdout=o, stderr=e)
    left, began, pause = list(scripts), time.monotonic(), rng.uniform(0.01, 0.06)
    time.sleep(rng.uniform(0.2, 2.0))
    while left:
        running = process.poll() is None
        script = rng.choice(left)
        try:
            next(script)
        except StopIteration:
            left.remove(script)
        trial.during += running
        if running:
            time.sleep(rng.expovariate(1 / pause))
    code = process.wait(timeout=max(120 - (time.monotonic() - began), 1))
    done = subprocess.CompletedProcess(words, code, out.read_text(), err.read_text())
    _said(trial, "in motion", done)


def _said(trial: Trial, which: str, done: "subprocess.CompletedProcess[str]") -> dict[str, Any]:
    """Hold that a scan ended, in words."""
    if done.returncode not in (0, 1) or "Traceback" in done.stderr:
        trial.broken.append(f"{which}: exit code {done.returncode}: {done.stderr[-2000:]}")
        return {}
    said: dict[str, Any] = json.loads(done.stdout)
    for failed in said["failed"] + said["problems"]:
        if not failed["error"] or "runlog fail" in failed["error"]:
            trial.broken.append(f"{which}: {failed}")
    return said


# --- what must hold --------------------------------------------------------------------------


def exposures_of(*folders: Path) -> Counter[Exposure]:
    """Read starts and lengths in the headers of all files, each exposure with its file count."""
    found: Counter[Exposure] = Counter()
    for path in {p for f in folders for name in FITS_NAMES for p in f.rglob(name)}:
        try:
            with _quietly(path) as opened:
                header = opened[-1].header
                found[header["DATE-OBS"], float(header["EXPTIME"])] += 1
        except (OSError, KeyError, IndexError):  # not yet whole: only asked before all settles
            continue
    return found


@contextmanager
def _quietly(path: Path) -> Iterator[Any]:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of files that are not yet whole
        with fits.open(path) as opened:
            yield opened


def digests(*folders: Path) -> dict[Path, str]:
    """Give the content of every file."""
    paths = [p for f in folders for p in f.rglob("*") if p.is_file()]
    return {p: hashlib.sha256(p.read_bytes()).hexdigest() for p in paths}


def _judge_settled(
    trial: Trial, home: Path, folder: Path, other: Path, known: set[Exposure]
) -> None:
    there, before = exposures_of(folder, other), digests(folder, other)
    with Writes([folder, other]) as writes:
        second = _said(trial, "settled", runlog(home, "scan", folder, other, "--json"))
        third = _said(trial, "again", runlog(home, "scan", folder, other, "--json"))
    if writes.seen or digests(folder, other) != before:
        trial.broken.append(f"written to: {writes.seen}")
    if second.get("failed") or second.get("problems"):
        trial.broken.append(f"settled, but: {second['failed']} {second['problems']}")
    changed = {k: third.get(k) for k in ("new", "moved", "duplicate", "rewritten") if third.get(k)}
    if changed:
        trial.broken.append(f"a scan of what did not change: {changed}")
    judge_totals(trial, home, set(there), known - set(there))
    _judge_files(trial, home, before)


def judge_totals(trial: Trial, home: Path, there: set[Exposure], gone: set[Exposure]) -> None:
    """Totals are the sum over headers; of exposures that are gone, those that were read count."""
    rows = json.loads(runlog(home, "totals", "--json").stdout)["rows"]
    found = sum(row["frames"] for row in rows), sum(row["logged_s"] for row in rows)
    starts = {start for start, _ in there}
    lost = {(start, s) for start, s in gone if start not in starts}
    stored = {row["taken_at_utc"] for row in frames_of(home)}
    lost = {one for one in lost if _to_second(one[0]) in {_to_second(s) for s in stored}}
    wanted = len(there | lost), sum(s for _, s in there | lost)
    if found != wanted:
        trial.broken.append(f"totals {found}, by the headers {wanted}")
    missing = {_to_second(s) for s in starts} - {_to_second(s) for s in stored}
    if missing:
        trial.broken.append(f"lost: {sorted(missing)}")


def _to_second(start: str) -> str:
    return start[:19].removesuffix("Z")


def frames_of(home: Path) -> list[dict[str, Any]]:
    """List all frames that are stored."""
    rows = json.loads(runlog(home, "frames", "--json").stdout)["rows"]
    return [row for row in rows if row["error"] is None]


def _judge_files(trial: Trial, home: Path, there: dict[Path, str]) -> None:
    """Every file is one of one frame; a frame is missing where none of its files is there."""
    owners = Counter(path for row in frames_of(home) for path in row["paths"] if not row["missing"])
    frames = {str(p) for p in there if any(p.match(name) for name in FITS_NAMES)}
    if twice := [path for path, n in owners.items() if n > 1]:
        trial.broken.append(f"of two frames: {twice}")
    if unknown := frames - set(owners):
        trial.broken.append(f"no file of any frame: {sorted(unknown)}")
    if ghosts := set(owners) - frames:
        trial.broken.append(f"listed, but not there: {sorted(ghosts)}")
