"""Frames, databases to start from and a home for each strike: small, so that hundreds fit."""

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import cast

import numpy as np
from astropy.io import fits

from runlog.store.migrate import known_revisions
from samples.maker.quick import Override, make_run
from tests.interruptions.forked import Forked
from tests.killing import start
from tests.store.earlier import take_back
from tests.tools import environment

SIZE = (160, 200)  # rows, columns: enough for stars to be found, measured and matched
NOTHING, HALF, SCANNED, OLD_MEASURE, OLD_LIMITS = (
    "nothing", "half", "scanned", "old measure", "old limits",
)  # fmt: skip
# What books hold before a command is struck: none of it may ever be changed.
SAID: tuple[tuple[str, ...], ...] = (
    ("mark", "M33_L_0002.fits", "reject", "--note", "tree"),
    ("mark", "M33_Ha_0001.fits", "keep"),
    ("correct", "filter", "OIII", "--target", "M33", "--filter", "Ha"),
    ("targets", "rename", "Far field", "Farther field"),
    ("goal", "M33", "L", "5"),
    ("goal", "M33", "L", "6"),
    ("note", "collimated", "--date", "2026-10-11"),
)
DATABASE = "night.sqlite"
Started = tuple["subprocess.Popen[str]", str]  # a process, and the mark of its kin
RUNLOG = (sys.executable, "-m", "runlog")


def surroundings(home: Path, database: str) -> dict[str, str]:
    """Give the environment of a command in a home: its temporary files lie there too."""
    (home / "tmp").mkdir(exist_ok=True)
    own = {"RUNLOG_DB": database, "TMPDIR": str(home / "tmp")}
    # One thread each: a machine that is soaked is shared with others.
    return environment(home, OMP_NUM_THREADS="1", OPENBLAS_NUM_THREADS="1", **own)


@dataclass(slots=True)
class World:
    """All that is made once: two folders of frames, and databases that commands start from."""

    base: Path
    sums: dict[Path, str] = field(default_factory=dict)  # of the frames as they were written
    _templates: dict[str, Path] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Write the frames."""
        _write_frames(self.first, self.second)
        self.sums = self.summed()

    @property
    def first(self) -> Path:
        """The frames of two nights."""
        return self.base / "frames" / "first"

    @property
    def second(self) -> Path:
        """The frames of a later night, with a copy and a calibrated form of an earlier one."""
        return self.base / "frames" / "second"

    def summed(self) -> dict[Path, str]:
        """Sum up every file below the frames' folder, so that any change shows."""
        files = (p for p in sorted((self.base / "frames").rglob("*")) if p.is_file())
        return {path: sha256(path.read_bytes()).hexdigest() for path in files}

    def template(self, name: str) -> Path:
        """Give the folder of a database to start from, made when it is first asked for."""
        if name not in self._templates:
            folder = self.base / "templates" / name.replace(" ", "-")
            folder.mkdir(parents=True)
            self._make(name, folder)
            shutil.rmtree(folder / "tmp", ignore_errors=True)
            self._templates[name] = folder
        return self._templates[name]

    def home(self, template: str, name: str) -> Path:
        """Make a home with a fresh copy of a database."""
        home = self.base / "homes" / name
        shutil.rmtree(home, ignore_errors=True)
        home.mkdir(parents=True)
        for path in self.template(template).iterdir():
            shutil.copy2(path, home)
        return home

    def database(self, home: Path) -> str:
        """Name the database of a home, as the command is told it."""
        return str(home / DATABASE)

    def has_tables(self, home: Path) -> bool:
        """Tell whether there is anything in the database of a home."""
        query = "SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'"
        if not (home / DATABASE).exists():
            return False
        with closing(sqlite3.connect(home / DATABASE)) as connection:
            return connection.execute(query).fetchone() is not None

    def restart(self) -> None:
        """Restart the server; there is none here."""

    def copied(self, home: Path) -> Path:
        """Copy a home as it lies there, the database's side files and links with it."""
        copy = home.with_name("copy")
        shutil.rmtree(copy, ignore_errors=True)
        shutil.copytree(home, copy, symlinks=True, copy_function=_copy)
        return copy

    def ask(self, home: Path, *words: str) -> "subprocess.CompletedProcess[str]":
        """Run the real command to its end, undisturbed."""
        return _run(home, self.database(home), words)

    def begin(self, home: Path, *words: str, loaded: bool = False) -> Started:
        """Start the command in a process group of its own; `loaded` where it is there already."""
        if loaded:
            env = surroundings(home, self.database(home))
            return cast("subprocess.Popen[str]", Forked(home, words, env)), ""
        return start(home, [*RUNLOG, *words], surroundings(home, self.database(home)))

    def _make(self, name: str, home: Path) -> None:
        if name == NOTHING:
            return
        if name == HALF:
            self._done(home, ("scan", str(self.first)))
            for words in SAID:
                self._done(home, words)
            return
        shutil.copy2(self.template(HALF) / DATABASE, home)
        if name in known_revisions():
            take_back(home / DATABASE, name)
        else:
            self._done(home, ("scan", str(self.second)))
        if name in CHANGED:
            with closing(sqlite3.connect(home / DATABASE)) as connection:
                connection.executescript(CHANGED[name])

    def _done(self, home: Path, words: tuple[str, ...]) -> None:
        # What databases start from is a file, wherever the command is struck later.
        done = _run(home, str(home / DATABASE), words)
        assert done.returncode == 0, f"{words}: {done.stderr}"


def _run(home: Path, database: str, words: Sequence[str]) -> "subprocess.CompletedProcess[str]":
    env, line = surroundings(home, database), [*RUNLOG, *words]
    return subprocess.run(line, env=env, cwd=home, capture_output=True, text=True, timeout=180)


# In words of SQL, what makes a database look as an earlier version or other limits left it.
CHANGED = {
    OLD_MEASURE: "UPDATE frame SET measured_with = 1, fwhm_px = 9, background_adu = 1;",
    OLD_LIMITS: "UPDATE run SET policy = 'others'; "
    "UPDATE frame SET auto_grade = 'doubtful', grade = 'doubtful' "
    "WHERE graded_by = 'auto' AND grade = 'keep';",
}


def _copy(source: str, to: str) -> None:
    if os.path.basename(source).startswith(DATABASE.split(".")[0]) or os.path.islink(source):
        shutil.copy2(source, to, follow_symlinks=False)
    elif os.path.isfile(source):
        os.link(source, to)  # a hard link stays one


def _write_frames(first: Path, second: Path) -> None:
    def evening(day: int, hour: int) -> datetime:
        return datetime(2026, 10, day, hour, tzinfo=UTC)

    make_run(first, 3, size=SIZE, start_utc=evening(9, 22))
    make_run(first, 2, size=SIZE, start_utc=evening(9, 23), filter="Ha")
    make_run(first, 2, size=SIZE, start_utc=evening(10, 21), target="Far field")
    other = {i: Override(seed=(5, i), name=f"later_{i}.fits") for i in range(3)}
    make_run(second, 3, size=SIZE, start_utc=evening(12, 22), overrides=other)
    make_run(second, 2, size=SIZE, start_utc=evening(12, 20), target="Near field")
    one = first / "M33_L_0001.fits"
    shutil.copy2(one, second / "copy_of_one.fits")
    header = fits.getheader(one)
    data = fits.getdata(one).astype("float32") - 100
    fits.PrimaryHDU(data, _with(header, CALSTAT="B")).writeto(second / "calibrated_one.fits")
    for i in range(2):
        dark = np.random.default_rng(i).normal(500, 8, SIZE).round().astype(np.uint16)
        fits.PrimaryHDU(dark, _with(header, IMAGETYP="Bias Frame", EXPTIME=0.0)).writeto(
            first / f"bias_{i}.fits"
        )


def _with(header: fits.Header, **cards: str | float) -> fits.Header:
    """Give a copy of a header with some cards changed."""
    changed = header.copy()
    changed.update(cards)
    return changed
